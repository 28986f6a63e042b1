"""A picture's light, tile by tile, at its full size and at every half of it, in memory that does not grow.

A tile of a half is made of the four tiles under it, so the walk finishes one corner of the picture before it
takes up the next: it holds a tile or two a level and a few blocks of samples, whatever the picture's size.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.deliver.iiif import TileSet

Light = NDArray[np.float32]
Read = Callable[[int, int, int, int], NDArray[Any]]

_BLOCK_PX = 2048
"""Least side of what is read at once, px: files in strips are decoded once for every block beside another."""


@dataclass(frozen=True, slots=True)
class LightTile:
    """Light of one tile.

    Parameters
    ----------
    level, column, row : int
        As in `iiif.Tile`.
    light : ndarray of shape (h, w, 4), float32
        Linear light times coverage, and coverage.
    """

    level: int
    column: int
    row: int
    light: Light


def walk_light(
    read: Read,
    to_light: Callable[[NDArray[Any]], Light],
    tiles: TileSet,
    *,
    draw: Callable[[LightTile], None],
    feed: Callable[[LightTile], None],
    wanted: frozenset[int] = frozenset(),
    workers: int = 1,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Make every tile of every level once.

    Parameters
    ----------
    read : function of (x0, y0, x1, y1)
        Codes of a rectangle of the picture; called from several threads.
    to_light : function of codes (h, w, 3 or 4)
        Their light, (h, w, 4).
    tiles : TileSet
    draw : function of a tile
        Called for every tile, from several threads and in any order.
    feed : function of a tile
        Called for every tile of the levels `wanted`, from the caller's thread, always in the same order.
    workers : int
        Threads. The tiles and the order of `feed` do not depend on it.
    progress : function of a share, 0 to 1, optional
        Called from the caller's thread.

    Raises
    ------
    Whatever the functions raise; then no tile is begun any more.
    """
    base = min(tiles.levels - 1, max(0, -(-_BLOCK_PX // tiles.tile) - 1).bit_length())

    def block(column: int, row: int) -> tuple[Light, list[LightTile]]:
        found: list[LightTile] = []
        side = tiles.tile << base
        left, top = column * side, row * side
        codes = read(left, top, min(left + side, tiles.width), min(top + side, tiles.height))

        def leaf(column: int, row: int) -> Light:
            x, y = column * tiles.tile - left, row * tiles.tile - top
            return to_light(codes[y : y + tiles.tile, x : x + tiles.tile])

        def done(tile: LightTile) -> None:
            draw(tile)
            if tile.level in wanted:
                found.append(tile)

        return _tile(tiles, base, column, row, 0, leaf, done), found

    top = tiles.levels - 1
    places = list(_places(tiles, top, 0, 0, base))
    blocks = _ahead(block, places, workers)
    count = 0

    def leaf(column: int, row: int) -> Light:
        nonlocal count
        light, found = next(blocks)
        for tile in found:
            feed(tile)
        count += 1
        if progress is not None:
            progress(count / len(places))
        return light

    def done(tile: LightTile) -> None:
        if tile.level > base:
            draw(tile)
            if tile.level in wanted:
                feed(tile)

    try:
        _tile(tiles, top, 0, 0, base, leaf, done)
    finally:
        blocks.close()


def _tile(
    tiles: TileSet,
    level: int,
    column: int,
    row: int,
    base: int,
    leaf: Callable[[int, int], Light],
    done: Callable[[LightTile], None],
) -> Light:
    """The light of a tile: a leaf's at level `base`, else of the four under it."""
    if level == base:
        light = leaf(column, row)
    else:
        width, height = tiles.level_size(level)
        half = tiles.tile // 2
        light = np.empty(
            (min(tiles.tile, height - row * tiles.tile), min(tiles.tile, width - column * tiles.tile), 4),
            np.float32,
        )
        for under_column, under_row in _under(tiles, level, column, row):
            part = halved(_tile(tiles, level - 1, under_column, under_row, base, leaf, done))
            y, x = (under_row % 2) * half, (under_column % 2) * half
            light[y : y + part.shape[0], x : x + part.shape[1]] = part
    done(LightTile(level, column, row, light))
    return light


def _under(tiles: TileSet, level: int, column: int, row: int) -> Iterator[tuple[int, int]]:
    """(column, row) of the one to four tiles of the level below that a tile is made of."""
    width, height = tiles.level_size(level - 1)
    for r in (2 * row, 2 * row + 1):
        for c in (2 * column, 2 * column + 1):
            if c * tiles.tile < width and r * tiles.tile < height:
                yield c, r


def _places(tiles: TileSet, level: int, column: int, row: int, base: int) -> Iterator[tuple[int, int]]:
    """Where the tiles of level `base` lie, in the order in which `_tile` asks for them."""
    if level == base:
        yield column, row
        return
    for c, r in _under(tiles, level, column, row):
        yield from _places(tiles, level - 1, c, r, base)


def _ahead(
    work: Callable[[int, int], tuple[Light, list[LightTile]]], places: list[tuple[int, int]], workers: int
) -> Generator[tuple[Light, list[LightTile]]]:
    """Results in order, with as many begun beforehand as there are threads."""
    pool = ThreadPoolExecutor(max(1, workers))
    begun: deque[Future[tuple[Light, list[LightTile]]]] = deque()
    try:
        for column, row in places:
            begun.append(pool.submit(work, column, row))
            if len(begun) > workers:
                yield begun.popleft().result()
        while begun:
            yield begun.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def halved(light: Light) -> Light:
    """The mean of each 2 x 2 pixels, of fewer at an odd right or lower edge: ceil(h/2) x ceil(w/2)."""
    h, w, samples = light.shape
    out = np.empty(((h + 1) // 2, (w + 1) // 2, samples), np.float32)
    for j in range(out.shape[0]):
        y0, y1 = 2 * j, min(2 * j + 1, h - 1)  # the edge's own pixel twice is the mean of what there is
        for i in range(out.shape[1]):
            x0, x1 = 2 * i, min(2 * i + 1, w - 1)
            for k in range(samples):
                upper, lower = light[y0, x0, k] + light[y0, x1, k], light[y1, x0, k] + light[y1, x1, k]
                out[j, i, k] = (upper + lower) * np.float32(0.25)
    return out
