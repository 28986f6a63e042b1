"""Which files a picture has as static tiles, and what its info.json says of them.

Source: IIIF Image API 3.0 (IIIF Consortium, 2020), cited from memory: 4.1 region, 4.2 size, 4.7 canonical URI
syntax, 5.1 to 5.5 image information (`sizes`, `tiles`, `maxWidth`), and its compliance document for level 0;
how a client computes region and size of a tile: the specification's implementation notes, "tile region
parameter calculation".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from belvedere.errors import OutputFailed

TILE = 512
"""Side of a tile, px, where nobody chooses."""

LARGEST_WHOLE = 4096
"""Longest side of the picture as one file, px: what a browser holds with ease (common practice, no published
source)."""


@dataclass(frozen=True, slots=True)
class TileSet:
    """A picture cut to tiles at its full size and at halves of it, until one tile holds the whole.

    Parameters
    ----------
    width, height : int
        The picture, px, >= 1.
    tile : int
        Side of a tile, px: even, 64 to 4096.
    largest_whole : int
        No whole picture has a longer side than this, px, >= `tile`.

    Raises
    ------
    OutputFailed
        If a value is out of its range.
    """

    width: int
    height: int
    tile: int = TILE
    largest_whole: int = LARGEST_WHOLE

    def __post_init__(self) -> None:
        if self.width < 1 or self.height < 1:
            raise OutputFailed(f"a picture has at least 1 x 1 pixel, not {self.width} x {self.height}")
        if not 64 <= self.tile <= 4096 or self.tile % 2:
            raise OutputFailed(f"tiles: give an even number of pixels from 64 to 4096, not {self.tile}")
        if self.largest_whole < self.tile:
            raise OutputFailed("the largest whole picture may not be smaller than a tile")

    @property
    def levels(self) -> int:
        """How many sizes there are tiles of; level k is 1/2^k of the picture."""
        return max(0, -(-max(self.width, self.height) // self.tile) - 1).bit_length() + 1

    def level_size(self, level: int) -> tuple[int, int]:
        """(width, height) of a level, px: halves are rounded up."""
        return -(-self.width // 2**level), -(-self.height // 2**level)

    @property
    def whole_levels(self) -> tuple[int, ...]:
        """Levels that are also there as one file, the smallest first."""
        return tuple(k for k in reversed(range(self.levels)) if max(self.level_size(k)) <= self.largest_whole)


@dataclass(frozen=True, slots=True)
class Tile:
    """One tile: level and place in it, and the path of its file under the set's address.

    Parameters
    ----------
    level, column, row : int
        From 0; level 0 is the full size.
    width, height : int
        Its own size, px.
    path : str
        "region/size/0/default.jpg".
    """

    level: int
    column: int
    row: int
    width: int
    height: int
    path: str


def tile_at(tiles: TileSet, level: int, column: int, row: int) -> Tile:
    """The tile of a level at a place; those at the right and lower edges are smaller.

    With s = 2^level and t the tile's side: region x = column t s, y = row t s, w = min(t s, width - x), and
    size ceil(w / s); likewise down. A tile that holds the whole picture has the region `full`, and where that
    is the largest whole picture there is, the size `max`: the canonical form.
    """
    s = 2**level
    x, y = column * tiles.tile * s, row * tiles.tile * s
    w, h = min(tiles.tile * s, tiles.width - x), min(tiles.tile * s, tiles.height - y)
    width, height = -(-w // s), -(-h // s)
    if (w, h) == (tiles.width, tiles.height):
        path = whole_path(tiles, level)
    else:
        path = f"{x},{y},{w},{h}/{width},{height}/0/default.jpg"
    return Tile(level, column, row, width, height, path)


def tiles_of_level(tiles: TileSet, level: int) -> Iterator[Tile]:
    """All tiles of a level, row by row."""
    width, height = tiles.level_size(level)
    for row in range(-(-height // tiles.tile)):
        for column in range(-(-width // tiles.tile)):
            yield tile_at(tiles, level, column, row)


def whole_path(tiles: TileSet, level: int) -> str:
    """The canonical path of the whole picture at a level: `max` for the largest there is, else its size."""
    width, height = tiles.level_size(level)
    size = "max" if level == tiles.whole_levels[-1] else f"{width},{height}"
    return f"full/{size}/0/default.jpg"


def whole_paths(tiles: TileSet, level: int) -> tuple[str, ...]:
    """All paths of the whole picture at a level.

    The largest has two: `max` is canonical and what level 0 has to have; its size in the w,h syntax must be
    there too, because `sizes` names it (5.3).
    """
    width, height = tiles.level_size(level)
    return tuple(dict.fromkeys((whole_path(tiles, level), f"full/{width},{height}/0/default.jpg")))


def all_paths(tiles: TileSet) -> Iterator[str]:
    """Every file that `image_information` promises, each once: whole pictures, then tiles.

    A tile of a single pixel in a corner has the same path, and the same pixel, at two scale factors.
    """
    whole = (path for level in tiles.whole_levels for path in whole_paths(tiles, level))
    parts = (tile.path for level in range(tiles.levels) for tile in tiles_of_level(tiles, level))
    yield from dict.fromkeys((*whole, *parts))


def image_information(tiles: TileSet, address: str) -> dict[str, Any]:
    """What info.json says.

    Parameters
    ----------
    tiles : TileSet
    address : str
        Where info.json's folder will be found, without a slash at the end: the image's `id`.

    Returns
    -------
    dict
        `maxWidth` and `maxHeight` are there where the picture is larger than its largest whole file: `max` is
        then that file.
    """
    largest = tiles.level_size(tiles.whole_levels[-1])
    information: dict[str, Any] = {
        "@context": "http://iiif.io/api/image/3/context.json",
        "id": address,
        "type": "ImageService3",
        "protocol": "http://iiif.io/api/image",
        "profile": "level0",
        "width": tiles.width,
        "height": tiles.height,
    }
    if largest != (tiles.width, tiles.height):
        information["maxWidth"], information["maxHeight"] = largest
    information["sizes"] = [
        {"width": width, "height": height} for width, height in map(tiles.level_size, tiles.whole_levels)
    ]
    information["tiles"] = [
        {"width": tiles.tile, "height": tiles.tile, "scaleFactors": [2**k for k in range(tiles.levels)]}
    ]
    return information
