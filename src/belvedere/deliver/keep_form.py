"""What a picture to keep looks like on disk: a tiled TIFF that carries smaller copies of itself.

Sources: TIFF 6.0 (Adobe, 1992), sections 2, 14 and 15; TIFF Technical Note 1, "TIFF Trees" (Adobe, 1995), for
SubIFDs, tag 330; TIFF Technical Note 2 for compression 8; the BigTIFF design (Aware Systems, 2007).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.ifd import Tag, array_tag, ifd_bytes
from belvedere.compose.picture_format import CLASSIC_LIMIT, sample_tags
from belvedere.compose.tile_code import LEVEL, bound_bytes
from belvedere.deliver.tag_block import TagBlock, directory_bytes
from belvedere.optics.file_limits import DEFLATED_RATIO

_SUB_IFDS = 330
_TYPICAL_RATIO = {8: 0.5, 16: DEFLATED_RATIO}
_HALVES = 4.0 / 3.0  # 1 + 1/4 + 1/16 + ...

Sizes = NDArray[np.uint64]


@dataclass(frozen=True)
class KeepForm:
    """A form for `compose.tiff.TiledTiff` with levels: 0 is the picture, every further one half as large.

    The file is a classic TIFF where it turns out to end within 4 GiB, else a BigTIFF; room for the longer
    head is kept either way.

    Parameters
    ----------
    width, height : int
        px.
    bits : 8 or 16
    samples : 3 or 4
        Without or with coverage.
    tags : TagBlock
        All that does not tell of the samples' layout.
    tile : int
        Side of a tile, px, a multiple of 16.
    big : bool or None
        BigTIFF or classic whatever the size; None decides by it.
    """

    width: int
    height: int
    bits: int
    samples: int
    tags: TagBlock = field(default_factory=TagBlock)
    tile: int = 512
    big: bool | None = None

    @cached_property
    def levels(self) -> int:
        """How many sizes there are: halves go on until one tile holds the whole."""
        return max(0, -(-max(self.width, self.height) // self.tile) - 1).bit_length() + 1

    def level_size(self, level: int) -> tuple[int, int]:
        """(width, height) of a level, px: halves are rounded up."""
        return -(-self.width // 2**level), -(-self.height // 2**level)

    def level_grid(self, level: int) -> tuple[int, int]:
        """(tiles across, tiles down) of a level."""
        width, height = self.level_size(level)
        return -(-width // self.tile), -(-height // self.tile)

    @property
    def columns(self) -> int:
        """Tiles across the picture."""
        return self.level_grid(0)[0]

    @property
    def rows(self) -> int:
        """Tiles down."""
        return self.level_grid(0)[1]

    @cached_property
    def _firsts(self) -> tuple[int, ...]:
        """Place of each level's first tile in the tables, and the number of all."""
        firsts = [0]
        for level in range(self.levels):
            across, down = self.level_grid(level)
            firsts.append(firsts[-1] + across * down)
        return tuple(firsts)

    @property
    def tiles(self) -> int:
        """Tiles of all levels."""
        return self._firsts[-1]

    def index(self, column: int, row: int, level: int = 0) -> int:
        """Where a tile stands in the tables: level by level, row by row; ValueError where there is none."""
        if 0 <= level < self.levels:
            across, down = self.level_grid(level)
            if 0 <= column < across and 0 <= row < down:
                return self._firsts[level] + row * across + column
        raise ValueError(f"there is no tile ({column}, {row}) of level {level}")

    @cached_property
    def head_length(self) -> int:
        """Bytes before the first tile."""
        none = np.zeros(self.tiles, np.uint64)
        return max(len(self._head(none, none, big=big)) for big in (False, True))

    @property
    def most_bytes(self) -> int:
        """Size of the finished file that it cannot exceed."""
        return self.head_length + self.tiles * bound_bytes(self.tile, self.bits, self.samples)

    def expected_bytes(self, covered_fraction: float = 1.0) -> int:
        """Size of the finished file for a usual photograph that covers this share of the picture."""
        raw = self.width * self.height * self.samples * self.bits // 8
        return self.head_length + int(raw * covered_fraction * _HALVES * _TYPICAL_RATIO[self.bits])

    def head(self, offsets: Sizes, lengths: Sizes) -> bytes:
        """The file's first bytes, once it is known where every tile lies."""
        big = int((offsets + lengths).max()) >= CLASSIC_LIMIT if self.big is None else self.big
        return self._head(offsets, lengths, big=big)

    def identity(self, key: str = "") -> str:
        """SHA-256 of all the file's bytes depend on, `key` standing for the pixels."""
        return hashlib.sha256(f"{self!r} deflate {LEVEL} {key}".encode()).hexdigest()

    def _head(self, offsets: Sizes, lengths: Sizes, *, big: bool) -> bytes:
        at = 16 if big else 8
        header = b"II+\0\x08\0\0\0" + at.to_bytes(8, "little") if big else b"II*\0" + at.to_bytes(4, "little")
        layout = self._level_tags(0, offsets, lengths, big=big)
        if self.levels == 1:
            return header + directory_bytes(self._block(layout), at, big=big)
        places = np.zeros(self.levels - 1, np.uint64)
        first = array_tag(_SUB_IFDS, places, wide=big)
        end = at + len(directory_bytes(self._block([*layout, first]), at, big=big))
        smaller = []
        for level in range(1, self.levels):
            places[level - 1] = end
            tags = self._level_tags(level, offsets, lengths, big=big)
            smaller.append(ifd_bytes(tags, end, big=big))
            end += len(smaller[-1])
        main = self._block([*layout, array_tag(_SUB_IFDS, places, wide=big)])
        return b"".join([header, directory_bytes(main, at, big=big), *smaller])

    def _block(self, layout: list[Tag]) -> TagBlock:
        own = self.tags
        return TagBlock((*own.main, *layout), own.exif, own.gps, own.interoperability)

    def _level_tags(self, level: int, offsets: Sizes, lengths: Sizes, *, big: bool) -> list[Tag]:
        width, height = self.level_size(level)
        span = slice(self._firsts[level], self._firsts[level + 1])
        return [
            *sample_tags(width, height, self.bits, self.samples, self.tile, reduced=level > 0),
            array_tag(324, offsets[span], wide=big),  # TileOffsets
            array_tag(325, lengths[span], wide=False),  # TileByteCounts
        ]
