"""Separable resampling: a windowed sinc, widened when reducing, and the two passes that apply it.

Positions: output pixel i of n lies at (i + 0.5) m/n - 0.5 of the m input pixels, so that both grids share
their borders. When reducing, the kernel is stretched by m/n and becomes the low pass that keeps finer detail
from aliasing; when enlarging it interpolates. Beyond the border the border's pixel goes on.

References
----------
C. E. Duchon, Lanczos Filtering in One and Two Dimensions, Journal of Applied Meteorology 18 (1979), 1016-1022
(cited from memory).
R. G. Keys, Cubic Convolution Interpolation for Digital Image Processing, IEEE Trans. ASSP 29(6), 1981, (15)
(cited from memory).
P. S. Heckbert, Fundamentals of Texture Mapping and Image Warping, UC Berkeley (1989), section 3.5: the filter
stretched when minifying (cited from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

Kernel = Literal["lanczos3", "cubic"]

_RADIUS: dict[Kernel, float] = {"lanczos3": 3.0, "cubic": 2.0}


@dataclass(frozen=True, slots=True, eq=False)
class Taps:
    """Weights along one axis.

    Parameters
    ----------
    first : ndarray of shape (n,), int64
        Input position of each output's first tap; may lie outside the input, whose border goes on.
    weights : ndarray of shape (n, t), float32
        Sum 1 to within float32 rounding.
    inputs : int
        Length of the input axis.
    """

    first: NDArray[np.int64]
    weights: NDArray[np.float32]
    inputs: int

    def needed(self, start: int, stop: int) -> tuple[int, int]:
        """Input positions [low, high) that outputs start to stop need, within the input."""
        low = int(self.first[start])
        high = int(self.first[stop - 1]) + self.weights.shape[1]
        return min(max(low, 0), self.inputs - 1), min(max(high, 1), self.inputs)


def kernel_at(kernel: Kernel, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The kernel's value at distances x in px; not normalised."""
    if kernel == "lanczos3":
        return np.where(np.abs(x) < 3.0, np.sinc(x) * np.sinc(x / 3.0), 0.0)
    a = np.abs(x)
    near, far = (1.5 * a - 2.5) * a * a + 1.0, ((-0.5 * a + 2.5) * a - 4.0) * a + 2.0
    return np.where(a < 1.0, near, np.where(a < 2.0, far, 0.0))


def taps(inputs: int, outputs: int, kernel: Kernel = "lanczos3") -> Taps:
    """Weights that take an axis of `inputs` px to `outputs` px.

    Raises
    ------
    ValueError
        If a length is below 1.
    """
    if inputs < 1 or outputs < 1:
        raise ValueError(f"an axis needs at least 1 px, not {inputs} and {outputs}")
    if inputs == outputs:  # every kernel is 1 at its own pixel and 0 at all others
        return Taps(np.arange(inputs), np.ones((inputs, 1), np.float32), inputs)
    step = inputs / outputs
    stretch = max(step, 1.0)
    reach = _RADIUS[kernel] * stretch
    count = max(1, math.ceil(2.0 * reach))
    centre = (np.arange(outputs) + 0.5) * step - 0.5
    first = np.floor(centre - reach).astype(np.int64) + 1
    weights = np.empty((outputs, count), np.float32)
    for start in range(0, outputs, 65536):  # float64 a part at a time
        part = slice(start, start + 65536)
        at = (first[part, None] + np.arange(count)) - centre[part, None]
        values = kernel_at(kernel, at / stretch)
        weights[part] = values / values.sum(axis=1, keepdims=True)
    return Taps(first, weights, inputs)


def across(
    codes: NDArray[Any], to_linear: NDArray[np.float32], white: float, row: Taps, out: NDArray[np.float32]
) -> None:
    """Make rows of codes linear and resample each along itself.

    Parameters
    ----------
    codes : ndarray of shape (h, w, 3 or 4), unsigned
        Red, green, blue and, where there are four, coverage.
    to_linear : ndarray of float32
        Linear light of every code.
    white : float
        The code of full coverage.
    row : Taps
        From w to the output's width.
    out : ndarray of shape (h, n, 4), float32
        Filled: light times coverage (three), coverage.
    """
    t = row.weights.shape[1]
    before = max(0, -int(row.first[0]))
    after = max(0, int(row.first[-1]) + t - row.inputs)
    _across(codes, to_linear, np.float32(1.0 / white), row.first + before, row.weights, before, after, out)


def down(lines: NDArray[np.float32], top: int, column: Taps, start: int, out: NDArray[np.float32]) -> None:
    """Resample lines across each other.

    Parameters
    ----------
    lines : ndarray of shape (m, k), float32
        Input lines from line `top` on; all that the outputs need must be there.
    top : int
        Which input line lines[0] is.
    column : Taps
        From the input's height to the output's.
    start : int
        First output line.
    out : ndarray of shape (h, k), float32
        Filled with output lines start to start + h.
    """
    stop = start + out.shape[0]
    at = column.first[start:stop, None] + np.arange(column.weights.shape[1])
    _down(lines, np.clip(at, 0, column.inputs - 1) - top, column.weights[start:stop], out)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _across(
    codes: NDArray[Any],
    to_linear: NDArray[np.float32],
    coverage_step: np.float32,
    first: NDArray[np.int64],
    weights: NDArray[np.float32],
    before: int,
    after: int,
    out: NDArray[np.float32],
) -> None:
    """See `across`; a line is laid out with its border carried on `before` and `after` px."""
    h, w, samples = codes.shape
    n, t = weights.shape
    line = np.empty((before + w + after) * 4, np.float32)
    for j in range(h):
        for i in range(w):
            at = (before + i) * 4
            if samples == 4:
                covered = np.float32(codes[j, i, 3]) * coverage_step
                line[at] = to_linear[codes[j, i, 0]] * covered
                line[at + 1] = to_linear[codes[j, i, 1]] * covered
                line[at + 2] = to_linear[codes[j, i, 2]] * covered
                line[at + 3] = covered
            else:
                line[at] = to_linear[codes[j, i, 0]]
                line[at + 1] = to_linear[codes[j, i, 1]]
                line[at + 2] = to_linear[codes[j, i, 2]]
                line[at + 3] = np.float32(1.0)
        for i in range(before):
            for k in range(4):
                line[i * 4 + k] = line[before * 4 + k]
        for i in range(before + w, before + w + after):
            for k in range(4):
                line[i * 4 + k] = line[(before + w - 1) * 4 + k]
        for i in range(n):
            at = first[i] * 4
            r = np.float32(0.0)
            g = np.float32(0.0)
            b = np.float32(0.0)
            c = np.float32(0.0)
            for k in range(t):
                weight = weights[i, k]
                r += weight * line[at]
                g += weight * line[at + 1]
                b += weight * line[at + 2]
                c += weight * line[at + 3]
                at += 4
            out[j, i, 0] = r
            out[j, i, 1] = g
            out[j, i, 2] = b
            out[j, i, 3] = c


_STRIDE = 4096  # samples summed at once, so that they stay in the nearest cache


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _down(
    lines: NDArray[np.float32], at: NDArray[np.int64], weights: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """See `down`; `at` are rows of `lines`, (h, t)."""
    h, size = out.shape
    t = weights.shape[1]
    for start in range(0, size, _STRIDE):
        stop = min(start + _STRIDE, size)
        for j in range(h):
            row = out[j, start:stop]
            row[:] = np.float32(0.0)
            for k in range(t):
                weight = weights[j, k]
                source = lines[at[j, k], start:stop]
                for i in range(stop - start):
                    row[i] += weight * source[i]
