"""The reduced pictures to be shared: fed with the tiles that pass, then encoded as JPEG, AVIF or JPEG XL."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.deliver.iiif import TileSet
from belvedere.deliver.light_pyramid import LightTile
from belvedere.deliver.picture import Picture
from belvedere.deliver.reduced import Reduction, reduced_size
from belvedere.deliver.screen_colour import ScreenColour
from belvedere.deliver.share_avif import MOST_PX as AVIF_MOST_PX
from belvedere.deliver.share_avif import write_share_avif
from belvedere.deliver.share_jpeg import write_share_jpeg
from belvedere.deliver.share_jxl import write_share_jxl
from belvedere.deliver.share_metadata import Told, share_metadata
from belvedere.errors import OutputFailed

ShareKind = Literal["jpeg", "avif", "jxl"]

_SUFFIX: dict[ShareKind, str] = {"jpeg": ".jpg", "avif": ".avif", "jxl": ".jxl"}
_NO_RECORDS = "the IPTC records were left out: AVIF and JPEG XL have no place for them, XMP has"
_WRITE = {"jpeg": write_share_jpeg, "avif": write_share_avif, "jxl": write_share_jxl}

MOST_PX = 24_000_000
"""Pixels of all pictures to be shared together: their sums take 16 bytes each, for as long as tiles pass."""


@dataclass(frozen=True)
class ShareFile:
    """A file to be shared: its name, size in px, bytes, and what of the metadata it could not hold."""

    name: str
    width: int
    height: int
    data: bytes
    notices: tuple[str, ...]


class Shares:
    """The pictures to be shared, each of another size.

    Parameters
    ----------
    tiles : TileSet
        What feeds them.
    long_sides : sequence of int
        px; what is more than the picture's own becomes the picture's own.
    kinds : sequence of str
        The formats each is written in.

    Raises
    ------
    OutputFailed
        If they are too large together.
    """

    def __init__(
        self, tiles: TileSet, long_sides: Sequence[int], kinds: Sequence[ShareKind] = ("jpeg",)
    ) -> None:
        sizes = {
            reduced_size(tiles.width, tiles.height, side): None for side in sorted(long_sides, reverse=True)
        }
        pixels = sum(width * height for width, height in sizes)
        if pixels > MOST_PX:
            raise OutputFailed(
                f"the pictures to be shared have {pixels / 1e6:.0f} megapixels together; up to "
                f"{MOST_PX / 1e6:.0f} can be made. Ask for smaller ones; --for keep and paper have no limit"
            )
        largest = max((width * height for width, height in sizes), default=0)
        if "avif" in kinds and largest > AVIF_MOST_PX:
            raise OutputFailed(
                f"an AVIF to be shared would have {largest / 1e6:.0f} megapixels; up to "
                f"{AVIF_MOST_PX / 1e6:.0f} can be made. Ask for a smaller one, or leave AVIF out"
            )
        self._kinds = tuple(dict.fromkeys(kinds))
        self._tile = tiles.tile
        self._each = [(_level(tiles, size), size) for size in sizes]
        self._sums: list[Reduction | None] = [
            Reduction(tiles.level_size(k), (tiles.width / 2**k, tiles.height / 2**k), size)
            for k, size in self._each
        ]

    @property
    def levels(self) -> frozenset[int]:
        """The levels they are made of."""
        return frozenset(level for level, _ in self._each)

    def feed(self, tile: LightTile) -> None:
        """Add a tile; every tile of `levels` once, always in the same order for the same bits."""
        for (level, _), sums in zip(self._each, self._sums, strict=True):
            if level == tile.level and sums is not None:
                sums.feed(tile.column * self._tile, tile.row * self._tile, tile.light)

    def files(
        self,
        k: int,
        picture: Picture,
        colour: ScreenColour,
        *,
        ground: tuple[int, int, int],
        quality: int,
        told: Told,
    ) -> Iterator[ShareFile]:
        """The k-th of them in every format, the largest first, once all tiles were fed; only once."""
        sums, self._sums[k] = self._sums[k], None
        if sums is None:
            raise ValueError("these files were given before")
        rgb: NDArray[np.uint8] = colour.encode(sums.light(), ground)
        del sums  # before an encoder takes its memory
        width, height = self._each[k][1]
        metadata = share_metadata(picture.tags, picture.xmp, width, height, told, iptc=picture.iptc)
        for kind in self._kinds:
            stream = io.BytesIO()
            _WRITE[kind](stream, rgb, quality=quality, metadata=metadata)
            name = f"{picture.path.stem}-{max(width, height)}{_SUFFIX[kind]}"
            lost = () if kind == "jpeg" or metadata.iptc is None or "jpeg" in self._kinds else (_NO_RECORDS,)
            yield ShareFile(name, width, height, stream.getvalue(), (*metadata.notices, *lost))

    def __len__(self) -> int:
        return len(self._each)


def _level(tiles: TileSet, size: tuple[int, int]) -> int:
    """The level that still has four times the size, or the picture itself.

    The halves before it are plain means: at the finest detail the reduced picture holds they cost 3 % of the
    contrast, sinc(1/8), where a level of twice the size would cost 10 %.
    """
    enough = (k for k in range(tiles.levels) if max(tiles.level_size(k)) >= 4 * max(size))
    return max(enough, default=0)
