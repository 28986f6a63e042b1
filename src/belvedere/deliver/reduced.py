"""A picture reduced to a smaller one, of tiles that come in any order: each adds its part to the sums.

Sources: C. E. Duchon, Lanczos filtering in one and two dimensions, Journal of Applied Meteorology 18 (1979);
the kernel is widened by the reduction, so that what the smaller picture cannot hold is left out of it.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

_LOBES = 3


class Reduction:
    """Sums of a smaller picture's light; fed tile by tile, it is done when every tile has been fed once.

    Sums run in the order of feeding: the same order gives the same bits.

    Parameters
    ----------
    size : tuple of 2 int
        (width, height) of the pictures' tiles together, px.
    span : tuple of 2 float
        What of it the picture takes, px: less than `size` where halves were rounded up.
    out : tuple of 2 int
        (width, height) wanted, px: not more than `size`.
    """

    def __init__(self, size: tuple[int, int], span: tuple[float, float], out: tuple[int, int]) -> None:
        if not (1 <= out[0] <= size[0] and 1 <= out[1] <= size[1]):
            raise ValueError(f"a reduction makes pictures smaller: {size} to {out}")
        self._across = _Weights(size[0], span[0], out[0])
        self._down = _Weights(size[1], span[1], out[1])
        self._sums = np.zeros((out[1], out[0], 4), np.float32)

    def feed(self, x: int, y: int, light: NDArray[np.float32]) -> None:
        """Add a tile whose first pixel is (x, y): light times coverage and coverage, (h, w, 4)."""
        h, w = light.shape[:2]
        c0, c1 = self._across.touched(x, x + w)
        r0, r1 = self._down.touched(y, y + h)
        if c0 == c1 or r0 == r1:
            return
        a, d = self._across, self._down
        _add(
            light, x, y, a.first, a.weights, d.first, d.weights, c0, c1, r0, r1,
            np.zeros((h, c1 - c0, 4), np.float32), self._sums,
        )  # fmt: skip

    def light(self) -> NDArray[np.float32]:
        """Light times coverage and coverage, (height, width, 4); may lie a little outside 0 to 1 at edges."""
        return self._sums


class _Weights:
    """Weights of a line of `size` pixels, `span` of them used, in each of `out` pixels; they sum to 1."""

    def __init__(self, size: int, span: float, out: int) -> None:
        step = span / out
        reach = _LOBES * max(step, 1.0)
        centre = (np.arange(out) + 0.5) * step - 0.5
        first = np.clip(np.ceil(centre - reach), 0, size - 1).astype(np.int64)
        last = np.clip(np.floor(centre + reach), 0, size - 1).astype(np.int64)
        taps = int((last - first).max()) + 1
        at = first[:, None] + np.arange(taps)
        x = (at - centre[:, None]) * (_LOBES / reach)
        weights = np.where(
            (np.abs(x) < _LOBES) & (at <= last[:, None]), np.sinc(x) * np.sinc(x / _LOBES), 0.0
        )
        self.first = first
        self.last = last
        self.weights = (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)

    def touched(self, start: int, stop: int) -> tuple[int, int]:
        """Which of the `out` pixels have weights among the pixels from `start` to `stop`, `stop` excluded."""
        low = int(np.searchsorted(self.last, start, side="left"))
        high = int(np.searchsorted(self.first, stop, side="left"))
        return low, max(low, high)


def reduced_size(width: int, height: int, long_side: int) -> tuple[int, int]:
    """(width, height) of a picture whose long side is `long_side` px, or its own where that is not more."""
    longest = max(width, height)
    if long_side >= longest:
        return width, height
    return (
        max(1, math.floor(width * long_side / longest + 0.5)),
        max(1, math.floor(height * long_side / longest + 0.5)),
    )


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _add(
    light: NDArray[np.float32],
    x: int,
    y: int,
    first_across: NDArray[np.int64],
    across: NDArray[np.float32],
    first_down: NDArray[np.int64],
    down: NDArray[np.float32],
    c0: int,
    c1: int,
    r0: int,
    r1: int,
    lines: NDArray[np.float32],
    sums: NDArray[np.float32],
) -> None:
    """Add a tile at (x, y) to rows r0 to r1, columns c0 to c1 of the sums; `lines`: (h, c1 - c0, 4) of 0."""
    h, w = light.shape[:2]
    taps_across, taps_down = across.shape[1], down.shape[1]
    for c in range(c0, c1):
        a = max(first_across[c] - x, 0)
        b = min(first_across[c] + taps_across - x, w)
        for j in range(h):
            for i in range(a, b):
                weight = across[c, i + x - first_across[c]]
                for k in range(4):
                    lines[j, c - c0, k] += weight * light[j, i, k]
    for r in range(r0, r1):
        a = max(first_down[r] - y, 0)
        b = min(first_down[r] + taps_down - y, h)
        for j in range(a, b):
            weight = down[r, j + y - first_down[r]]
            for c in range(c0, c1):
                for k in range(4):
                    sums[r, c, k] += weight * lines[j, c - c0, k]
