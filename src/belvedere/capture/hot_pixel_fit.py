"""How a sensor's value follows from those around it, learnt from the frame itself.

A linear estimate by least squares over the frame: each of the pattern's places has its own weights on the 24
values around it, of all colours. It takes in how sharp the lens draws, how the colours of the scene go
together and how noisy the frame is (linear prediction; after X. Li, M. T. Orchard, IEEE Transactions on Image
Processing 10 (2001) 1521, who fit to each place's surroundings, where we fit once to the frame).
"""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment, no-any-return"

from __future__ import annotations

from math import isqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.filter_pattern import FilterPattern

REACH = 2
"""Px up to which values around a place count."""
_SAMPLED = 12_000  # places of a colour, about, that weights are learnt from
_LEAST = 2_000  # below, nothing is learnt
_RIDGE = 1e-6  # of the mean square, for surroundings without detail


def learn_weights(
    mosaic: NDArray[np.uint16],
    pattern: FilterPattern,
    is_bad: NDArray[np.bool_],
    black: tuple[float, float, float],
) -> NDArray[np.float64] | None:
    """Weights (rows, columns, 24) by which the values around each place of the pattern give its own.

    Parameters
    ----------
    mosaic : ndarray of shape (height, width), uint16
    pattern : FilterPattern
    is_bad : ndarray of shape (height, width), bool
        Places nothing is learnt from.
    black : tuple of 3 float
        Codes of no light, of red, green, blue.

    Returns
    -------
    ndarray or None
        In the order of rows, then columns, the place itself left out; None where the frame is too small.
    """
    colours = pattern.as_array()
    rows, columns = pattern.period
    zero = np.array(black, dtype=np.float64)
    step = max(1, isqrt(mosaic.size // (rows * columns * _SAMPLED)))
    out = np.empty((rows, columns, (2 * REACH + 1) ** 2 - 1))
    for r in range(rows):
        for c in range(columns):
            normal, right, count = _sums(mosaic, colours, r, c, step, is_bad, zero)
            if count < _LEAST:
                return None
            normal += np.eye(len(normal)) * (_RIDGE * np.trace(normal) / len(normal) + 1e-9)
            out[r, c] = np.linalg.solve(normal, right)
    return out


@njit(cache=True, nogil=True)
def _sums(
    mosaic: NDArray[np.uint16],
    colours: NDArray[np.int64],
    row: int,
    column: int,
    step: int,
    is_bad: NDArray[np.bool_],
    black: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Normal matrix and right side of one place of the pattern, each sample over its own brightness."""
    height, width = mosaic.shape
    rows, columns = colours.shape
    count = (2 * REACH + 1) ** 2 - 1
    normal, right = np.zeros((count, count)), np.zeros(count)
    around = np.empty(count)
    samples = 0
    for y in range(row + rows * REACH, height - REACH, rows * step):
        for x in range(column + columns * REACH, width - REACH, columns * step):
            if is_bad[y - REACH : y + REACH + 1, x - REACH : x + REACH + 1].any():
                continue
            k, light = 0, 0.0
            for dy in range(-REACH, REACH + 1):
                for dx in range(-REACH, REACH + 1):
                    if dy != 0 or dx != 0:
                        v, u = y + dy, x + dx
                        around[k] = mosaic[v, u] - black[colours[v % rows, u % columns]]
                        light += around[k]
                        k += 1
            weight = 1.0 / max(light / count, 16.0)  # shot noise, and so that bright parts do not rule alone
            own = mosaic[y, x] - black[colours[row, column]]
            for i in range(count):
                right[i] += weight * around[i] * own
                for j in range(i + 1):
                    normal[i, j] += weight * around[i] * around[j]
            samples += 1
    for i in range(count):
        for j in range(i):
            normal[j, i] = normal[i, j]
    return normal, right, samples


@njit(cache=True, nogil=True)
def from_around(
    mosaic: NDArray[np.uint16],
    colours: NDArray[np.int64],
    weights: NDArray[np.float64],
    y: int,
    x: int,
    is_bad: NDArray[np.bool_],
    black: NDArray[np.float64],
) -> float:
    """The value at a place from those around it; -1 where one of these is bad or beyond the border."""
    height, width = mosaic.shape
    rows, columns = colours.shape
    if y < REACH or x < REACH or y >= height - REACH or x >= width - REACH:
        return -1.0
    own = weights[y % rows, x % columns]
    total, k = black[colours[y % rows, x % columns]], 0
    for dy in range(-REACH, REACH + 1):
        for dx in range(-REACH, REACH + 1):
            if dy != 0 or dx != 0:
                v, u = y + dy, x + dx
                if is_bad[v, u]:
                    return -1.0
                total += own[k] * (mosaic[v, u] - black[colours[v % rows, u % columns]])
                k += 1
    return max(total, 0.0)
