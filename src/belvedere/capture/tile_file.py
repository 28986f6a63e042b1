"""The file of one decoded frame in scratch: every level in tiles, at places told by the frame's size alone.

Layout: levels one after the other, full size first; in a level the tiles row by row; in a tile its pixels row
by row, three samples each, in the machine's byte order, without padding (tiles at the right and lower edge
are smaller). There is no header: size and depth come from the frame's metadata, the name carries the rest.
"""

from __future__ import annotations

import errno
import os
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.levels import halve, level_sizes
from belvedere.errors import OutputFailed

TILE = 256
"""Side of a tile, px."""

LAYOUT = 1
"""Part of the files' names: raise it when the layout or the making of levels changes."""

_LEFTOVER_S = 3600.0

SPARE_BYTES = 64 << 20
"""Left free on the disk whatever happens."""


@dataclass(frozen=True)
class TileLayout:
    """Where the tiles of a frame lie in its file.

    Parameters
    ----------
    width, height : int
        Frame as displayed, px.
    bits : int
        8 or 16, of level 0.
    """

    width: int
    height: int
    bits: int

    @cached_property
    def sizes(self) -> tuple[tuple[int, int], ...]:
        """(width, height) of every level."""
        return level_sizes(self.width, self.height)

    @cached_property
    def starts(self) -> tuple[int, ...]:
        """Byte at which each level starts, and the file's length last."""
        starts = [0]
        for level, (width, height) in enumerate(self.sizes):
            starts.append(starts[-1] + width * height * 3 * self.dtype(level).itemsize)
        return tuple(starts)

    @property
    def length(self) -> int:
        """Length of the file, bytes."""
        return self.starts[-1]

    def dtype(self, level: int) -> np.dtype[Any]:
        """uint8 or uint16."""
        return np.dtype(np.uint8 if level == 0 and self.bits == 8 else np.uint16)

    def tile(self, level: int, column: int, row: int) -> tuple[int, tuple[int, int, int]]:
        """(offset in bytes, shape (height, width, 3)) of a tile."""
        width, height = self.sizes[level]
        x, y = column * TILE, row * TILE
        w, h = min(TILE, width - x), min(TILE, height - y)
        # The rows of tiles above hold y full rows of pixels; the tiles to the left h rows of x pixels.
        return self.starts[level] + (y * width + h * x) * 3 * self.dtype(level).itemsize, (h, w, 3)


@njit(cache=True, nogil=True)
def _tiles_of_band(band: NDArray[Any], tile: int, out: NDArray[Any]) -> None:
    """Reorder a band of pixel rows (h, w, 3), h <= tile, into its tiles one after the other."""
    height, width = band.shape[0], band.shape[1]
    at = 0
    for x0 in range(0, width, tile):
        x1 = min(x0 + tile, width)
        count = (x1 - x0) * 3
        for j in range(height):
            out[at : at + count] = band[j, x0:x1].ravel()
            at += count


def tile_bands(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Iterator[memoryview]:
    """The bytes of a level in file order, one row of tiles at a time; each is valid until the next."""
    height, width = pixels.shape[:2]
    buffer = np.empty(min(TILE, height) * width * 3, pixels.dtype)
    for y in range(0, height, TILE):
        band = pixels[y : y + TILE]
        out = buffer[: band.size]
        _tiles_of_band(band, TILE, out)
        yield out.data.cast("B")


def write_tile_file(file: Path, pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
    """Write a frame's file whole, or not at all: under another name first, then renamed.

    Parameters
    ----------
    file : Path
        Final name; its folder exists.
    pixels : ndarray of shape (height, width, 3), uint8 or uint16, contiguous

    Raises
    ------
    OutputFailed
        If the disk is too full or cannot be written.

    Notes
    -----
    A killed run leaves at most a file under the temporary name. The file is not forced to the platter: it is
    scratch, and one that a power cut left short is seen by its length.
    """
    layout = TileLayout(pixels.shape[1], pixels.shape[0], 8 * pixels.dtype.itemsize)
    check_space(file.parent, layout.length)
    temporary = file.with_name(f".{file.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with temporary.open("wb", buffering=0) as stream:
            level: NDArray[Any] = pixels
            for number in range(len(layout.sizes)):
                if number:
                    level = halve(level)
                for band in tile_bands(level):
                    done = 0
                    while done < len(band):
                        done += stream.write(band[done:])
        try:
            temporary.replace(file)
        except PermissionError:  # Windows will not replace a file that is being read: it is there already
            if not is_whole(file, layout):
                raise
    except OSError as error:
        full = error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", -1))
        remedy = "it is full: free some space there or name another work folder" if full else str(error)
        raise OutputFailed(f"{file.parent}: the scratch folder cannot be written; {remedy}") from error
    finally:
        temporary.unlink(missing_ok=True)


def remove_leftovers(folder: Path) -> None:
    """Remove what killed runs left half written: temporary files not touched for an hour."""
    for file in folder.glob(".*.part"):
        with suppress(OSError):
            if time.time() - file.stat().st_mtime > _LEFTOVER_S:
                file.unlink()


def check_space(folder: Path, needed: int) -> None:
    """Raise OutputFailed unless `needed` bytes fit on the folder's disk with some to spare."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise OutputFailed(f"{folder}: the scratch folder cannot be used ({error})") from error
    if free < needed + SPARE_BYTES:
        raise OutputFailed(
            f"{folder}: the scratch folder needs {needed / 1e9:.2f} GB, its disk has {free / 1e9:.2f} GB"
            " free; free some space there or name another work folder"
        )


def is_whole(file: Path, layout: TileLayout) -> bool:
    """Whether a frame's file is there in full length."""
    try:
        return file.stat().st_size == layout.length
    except OSError:
        return False
