"""The print's lines: the picture resampled in linear light, mirrored where it goes past its edge.

Any rows can be asked for; asked for in order, nothing is computed twice. Memory: one band of the picture's
codes (up to `_BAND_BYTES`, or one row), and the resampled rows that the vertical kernel spans.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from belvedere.deliver.paper_size import PrintLayout
from belvedere.deliver.resample import Kernel, across, down, taps

_BAND_BYTES = 320 << 20  # a row of tiles of 512 px of 16 bits with coverage, 80,000 px wide


class Pixels(Protocol):
    """What is asked of a picture; `deliver.picture.Picture` is one."""

    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...
    @property
    def bits(self) -> int: ...
    @property
    def channels(self) -> int: ...
    @property
    def step(self) -> int: ...
    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]: ...


class PrintLines:
    """Light on the print's grid.

    Parameters
    ----------
    picture : Pixels
        The picture.
    layout : PrintLayout
        Where it lies on the grid.
    to_linear : ndarray of shape (2^bits,), float32
        Linear light of every code.
    pool : ThreadPoolExecutor
        Whose threads share the work; the result does not depend on them.
    workers : int
        How many parts to make of it.
    kernel : str
        "lanczos3" or "cubic".
    """

    def __init__(
        self,
        picture: Pixels,
        layout: PrintLayout,
        to_linear: NDArray[np.float32],
        pool: ThreadPoolExecutor,
        workers: int,
        kernel: Kernel = "lanczos3",
    ) -> None:
        self._picture, self._layout, self._to_linear = picture, layout, to_linear
        self._pool, self._workers = pool, max(1, workers)
        self._white = float(2**picture.bits - 1)
        self._row = taps(picture.width, layout.picture.width, kernel)
        self._column = taps(picture.height, layout.picture.height, kernel)
        self._band_top = 0
        self._band: NDArray[Any] | None = None
        self._lines = np.empty((0, layout.picture.width, 4), np.float32)
        self._top = 0  # which picture row the first line is

    def light(self, start: int, stop: int) -> NDArray[np.float32]:
        """Grid rows start to stop: (h, grid width, 4), float32: light times coverage (three), and coverage.

        Bare paper has coverage 0. Rows beyond the grid are the grid's border rows.
        """
        layout = self._layout
        out = np.zeros((stop - start, layout.width, 4), np.float32)
        rows = np.clip(np.arange(start, stop), 0, layout.height - 1) - layout.picture.y0
        height = layout.picture.height
        if layout.mirrored:
            rows = np.where(rows < 0, -1 - rows, np.where(rows >= height, 2 * height - 1 - rows, rows))
        shown = np.flatnonzero((rows >= 0) & (rows < height))
        if shown.size == 0:
            return out
        low, high = int(rows[shown].min()), int(rows[shown].max()) + 1
        resampled = self._resampled(low, high)
        x0, x1 = layout.picture.x0, layout.picture.x1
        out[shown, x0:x1] = resampled[rows[shown] - low]
        if layout.mirrored:
            rest = layout.width - x1
            out[:, :x0] = out[:, x0 : 2 * x0][:, ::-1]
            out[:, x1:] = out[:, x1 - rest : x1][:, ::-1]
        return out

    def _resampled(self, start: int, stop: int) -> NDArray[np.float32]:
        """Rows of the resampled picture: (h, w, 4)."""
        self._have(*self._column.needed(start, stop))
        out = np.empty((stop - start, *self._lines.shape[1:]), np.float32)
        lines = self._lines.reshape(len(self._lines), -1)
        flat = out.reshape(len(out), -1)
        parts = _parts(len(out), self._workers)
        list(
            self._pool.map(
                lambda p: down(lines, self._top, self._column, start + p[0], flat[p[0] : p[1]]), parts
            )
        )
        return out

    def _have(self, low: int, high: int) -> None:
        """Make sure that picture rows low to high, resampled along themselves, are in `_lines`."""
        end = self._top + len(self._lines)
        if not self._top <= low <= end:
            self._lines, self._top, end = self._lines[:0], low, low
        if low == self._top and high <= end:
            return
        kept = self._lines[low - self._top :]
        lines = np.empty((max(high, end) - low, *kept.shape[1:]), np.float32)
        lines[: len(kept)] = kept
        self._lines, self._top = lines, low
        at = end
        while at < high:
            codes = self._codes(at)
            count = min(len(codes), high - at)
            into = lines[at - low : at - low + count]
            list(
                self._pool.map(
                    lambda p, c=codes, o=into: across(
                        c[p[0] : p[1]], self._to_linear, self._white, self._row, o[p[0] : p[1]]
                    ),
                    _parts(count, self._workers),
                )
            )
            at += count
            del codes, into  # or this band would stay while the next is read

    def _codes(self, row: int) -> NDArray[Any]:
        """Codes of the picture from this row to the end of its band."""
        picture = self._picture
        if self._band is None or not self._band_top <= row < self._band_top + len(self._band):
            self._band = None  # before the next is read
            rows = band_rows(picture.width * picture.channels * picture.bits // 8, picture.step)
            self._band_top = row - row % rows
            bottom = min(self._band_top + rows, picture.height)
            self._band = picture.read(0, self._band_top, picture.width, bottom)
        return self._band[row - self._band_top :]


def band_rows(row_bytes: int, step: int, most: int = _BAND_BYTES) -> int:
    """Rows to read at once: `step`, halved until they take no more than `most` bytes, or doubled to 64."""
    rows = max(1, step)
    while rows > 1 and rows * row_bytes > most:
        rows = -(-rows // 2)
    while rows < 64 and 2 * rows * row_bytes <= most:
        rows *= 2
    return rows


def _parts(count: int, workers: int) -> list[tuple[int, int]]:
    size = max(1, -(-count // workers))
    return [(k, min(k + size, count)) for k in range(0, count, size)]
