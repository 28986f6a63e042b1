"""Labels of a grid of any size in little memory: square tiles, each deflated on its own.

A seam is a line: what a tile of labels takes, packed, follows from the length of seam in it, so that the
labels of ten gigapixels take a few megabytes.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

SIDE = 64
"""Nodes along the side of a tile."""

_LEVEL = 1


def pack_rows(labels: NDArray[np.int16]) -> Iterator[bytes]:
    """The tiles of at most `SIDE` rows of labels, from left to right; those at the edges are short."""
    for x in range(0, labels.shape[1], SIDE):
        yield zlib.compress(np.ascontiguousarray(labels[:, x : x + SIDE]).astype("<i2").tobytes(), _LEVEL)


def pack(labels: NDArray[np.int16]) -> list[bytes]:
    """All tiles of labels (rows, columns), row by row."""
    return [tile for y in range(0, labels.shape[0], SIDE) for tile in pack_rows(labels[y : y + SIDE])]


def unpack(
    tiles: NDArray[np.uint8],
    ends: NDArray[np.int64],
    shape: tuple[int, int],
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
) -> NDArray[np.int16]:
    """Labels at the crossings of rows and columns of a packed grid.

    Parameters
    ----------
    tiles : ndarray of uint8
        The tiles as packed, one after the other.
    ends : ndarray of int64
        Where in `tiles` each tile ends.
    shape : tuple of 2 int
        Rows and columns of the grid.
    rows, columns : ndarrays of int64
        Indices within the grid, in any order.
    """
    across = -(-shape[1] // SIDE)
    out = np.empty((rows.size, columns.size), np.int16)
    for ty in np.unique(rows // SIDE).tolist():
        here_rows = np.flatnonzero(rows // SIDE == ty)
        for tx in np.unique(columns // SIDE).tolist():
            here_columns = np.flatnonzero(columns // SIDE == tx)
            n = ty * across + tx
            first = int(ends[n - 1]) if n else 0
            data = np.frombuffer(zlib.decompress(tiles[first : int(ends[n])].data), "<i2")
            tile = data.reshape(-1, min(SIDE, shape[1] - tx * SIDE))
            inside = np.ix_(rows[here_rows] - ty * SIDE, columns[here_columns] - tx * SIDE)
            out[np.ix_(here_rows, here_columns)] = tile[inside]
    return out
