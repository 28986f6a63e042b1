"""Blocks of the picture, rendered and coded: the pure function that threads or a cluster apply."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.dng_tile import encode_dng_tile, encode_mask_tile
from belvedere.compose.encode import PieceEncoder
from belvedere.compose.piece import Piece
from belvedere.compose.tile_code import encode_tile
from belvedere.pipeline.scene import Scene
from belvedere.pipeline.tile_counts import TileCount

TileCoder = Callable[[NDArray[Any], int], "bytes | tuple[bytes, ...]"]
"""A tile's samples (h, w, 4) and the side of the file's tiles, to its bytes, or those of each level."""


def code_dng(samples: NDArray[Any], side: int) -> tuple[bytes, bytes]:
    """A tile of a DNG: the light, and its coverage."""
    light = encode_dng_tile(np.ascontiguousarray(samples[..., :3]), side)
    return light, encode_mask_tile(samples[..., 3], side)


class Block(NamedTuple):
    """Tiles of the file rendered together: columns and rows, first included, last excluded."""

    column0: int
    row0: int
    column1: int
    row1: int

    def tiles(self) -> Iterator[tuple[int, int]]:
        """(column, row) of each tile, row by row."""
        return ((c, r) for r in range(self.row0, self.row1) for c in range(self.column0, self.column1))


class TileWanted(NamedTuple):
    """A tile of the file to make: its place, and whether its bytes are wanted or only its count."""

    column: int
    row: int
    coded: bool


class BlockWanted(NamedTuple):
    """A block, and the tiles of it that are to be made."""

    block: Block
    tiles: tuple[TileWanted, ...]


class TileMade(NamedTuple):
    """A tile: its place, its bytes in the file, level by level (none where only the count was wanted)."""

    column: int
    row: int
    coded: tuple[bytes, ...]
    pixels: TileCount


class BlockMade(NamedTuple):
    """The tiles of a block, and the thread seconds that went into rendering and into encoding it."""

    tiles: list[TileMade]
    render_s: float
    encode_s: float


@dataclass(frozen=True, slots=True)
class BlockMaker:
    """Renders blocks. Pure; can be sent to another process.

    Parameters
    ----------
    scene : Scene
    encoder : PieceEncoder
    width, height : int
        Size of the picture, px.
    side : int
        Side of a tile of the file, px.
    code : TileCoder
        Makes a tile's bytes.
    """

    scene: Scene
    encoder: PieceEncoder
    width: int
    height: int
    side: int
    code: TileCoder = encode_tile

    def __call__(self, wanted: BlockWanted) -> BlockMade:
        """Render a block and code its tiles."""
        began = time.perf_counter()
        block, side = wanted.block, self.side
        x0, y0 = block.column0 * side, block.row0 * side
        width = min(block.column1 * side, self.width) - x0
        height = min(block.row1 * side, self.height) - y0
        piece = self.scene.render(x0, y0, width, height)
        rendered = time.perf_counter()
        tiles = []
        for column, row, coded in wanted.tiles:
            own = (
                slice(row * side - y0, min((row + 1) * side - y0, height)),
                slice(column * side - x0, min((column + 1) * side - x0, width)),
            )
            found = self.encoder.encode(Piece(piece.colour[own], piece.coverage[own], piece.valid[own]))
            data = self.code(found.codes, side) if coded else ()
            levels = (data,) if isinstance(data, bytes) else data
            tiles.append(TileMade(column, row, levels, TileCount(found.covered, found.over_white)))
        return BlockMade(tiles, rendered - began, time.perf_counter() - rendered)


def plan_blocks(
    columns: int,
    rows: int,
    side: int,
    is_put: Callable[[int, int], bool],
    is_counted: Callable[[int, int], bool],
) -> list[BlockWanted]:
    """Blocks of side x side tiles, row by row, of which a tile is still to be made.

    Parameters
    ----------
    columns, rows : int
        Tiles across and down the file.
    side : int
        Tiles along a block.
    is_put, is_counted : callable
        Whether the tile at (column, row) is in the file, and whether it is counted.
    """
    out = []
    for r in range(0, rows, side):
        for c in range(0, columns, side):
            block = Block(c, r, min(c + side, columns), min(r + side, rows))
            todo = tuple(
                TileWanted(column, row, not is_put(column, row))
                for column, row in block.tiles()
                if not (is_put(column, row) and is_counted(column, row))
            )
            if todo:
                out.append(BlockWanted(block, todo))
    return out
