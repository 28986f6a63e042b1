"""Sensor values estimated from neighbours of the same colour, along edges rather than across them.

Of the pairs of neighbours that lie opposite each other, those that agree count most (after the interpolation
along the smaller gradient of J. F. Hamilton, J. E. Adams, US patent 5,629,734 (1997), expired). At red and
blue the greens around tell how the light runs between the pair, at green red and blue do: colours keep their
ratio over a few pixels.
"""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.filter_pattern import NEIGHBOURS, FilterPattern
from belvedere.capture.hot_pixel_fit import from_around, learn_weights

_PAIRS = np.array([(0, 2), (2, 0), (2, 2), (2, -2)], dtype=np.int64)
_CORNERS = 0.75  # of the mean bend of row and column that greens at the corners are given: tried
_GREEN_PAIRS = np.array([(0, 2), (2, 0), (1, 1), (1, -1)], dtype=np.int64)


def mend_places(
    mosaic: NDArray[np.uint16],
    pattern: FilterPattern,
    places: NDArray[np.int64],
    black: tuple[float, float, float],
) -> None:
    """Replace the values at some places, in place; the values of no listed place are used.

    Parameters
    ----------
    mosaic : ndarray of shape (height, width), uint16
    pattern : FilterPattern
    places : ndarray of shape (n,), int64
        row * width + column, ascending.
    black : tuple of 3 float
        Codes of no light, of red, green, blue.
    """
    colours, offsets = pattern.as_array(), pattern.neighbours()
    rows, columns = np.divmod(places, mosaic.shape[1])
    is_bad = np.zeros(mosaic.shape, dtype=np.bool_)
    is_bad[rows, columns] = True
    if pattern.is_bayer:
        weights = learn_weights(mosaic, pattern, is_bad, black)
        weights = np.empty((0, 0, 0)) if weights is None else weights
        zero = np.array(black, dtype=np.float64)
        mended = _by_pairs(mosaic, colours, offsets, rows, columns, is_bad, zero, weights)
    else:
        mended = _by_median(mosaic, colours, offsets, rows, columns, is_bad)
    mosaic[rows, columns] = mended


@njit(cache=True, nogil=True)
def _is_good(y: int, x: int, is_bad: NDArray[np.bool_]) -> bool:
    """Whether a place lies on the sensor and is not at fault."""
    height, width = is_bad.shape
    return y >= 0 and x >= 0 and y < height and x < width and not is_bad[y, x]


@njit(cache=True, nogil=True)
def _median_around(
    mosaic: NDArray[np.uint16],
    step: NDArray[np.int64],
    y: int,
    x: int,
    is_bad: NDArray[np.bool_],
) -> tuple[float, float, float]:
    """Median, least and largest of the good neighbours of one colour; -1 where there are none."""
    values = np.empty(NEIGHBOURS)
    count = 0
    for k in range(NEIGHBOURS):
        v, u = y + step[k, 0], x + step[k, 1]
        if _is_good(v, u, is_bad):
            values[count] = mosaic[v, u]
            count += 1
    if count == 0:
        return -1.0, -1.0, -1.0
    found = np.sort(values[:count])
    return float(np.median(found)), found[0], found[count - 1]


@njit(cache=True, nogil=True)
def _by_median(
    mosaic: NDArray[np.uint16],
    colours: NDArray[np.int64],
    offsets: NDArray[np.int64],
    at_rows: NDArray[np.int64],
    at_columns: NDArray[np.int64],
    is_bad: NDArray[np.bool_],
) -> NDArray[np.uint16]:
    rows, columns = colours.shape
    out = np.empty(at_rows.size, dtype=np.uint16)
    for n in range(at_rows.size):
        y, x = at_rows[n], at_columns[n]
        middle, _, _ = _median_around(mosaic, offsets[y % rows, x % columns], y, x, is_bad)
        out[n] = mosaic[y, x] if middle < 0.0 else np.uint16(np.rint(middle))
    return out


@njit(cache=True, nogil=True)
def _green_at(
    mosaic: NDArray[np.uint16], y: int, x: int, is_bad: NDArray[np.bool_]
) -> tuple[float, float, float]:
    """Green at a red or blue place, and how far its pairs left and right, above and below, differ.

    -1 where no pair is good.
    """
    total, weight = 0.0, 0.0
    across, down = -1.0, -1.0
    if _is_good(y, x - 1, is_bad) and _is_good(y, x + 1, is_bad):
        a, b = float(mosaic[y, x - 1]), float(mosaic[y, x + 1])
        across = abs(a - b)
        w = 1.0 / (across + 4.0) ** 2
        total, weight = total + w * (a + b) / 2.0, weight + w
    if _is_good(y - 1, x, is_bad) and _is_good(y + 1, x, is_bad):
        a, b = float(mosaic[y - 1, x]), float(mosaic[y + 1, x])
        down = abs(a - b)
        w = 1.0 / (down + 4.0) ** 2
        total, weight = total + w * (a + b) / 2.0, weight + w
    return (total / weight if weight > 0.0 else -1.0), across, down


@njit(cache=True, nogil=True)
def _bend(
    mosaic: NDArray[np.uint16], y: int, x: int, dy: int, dx: int, is_bad: NDArray[np.bool_], black: float
) -> tuple[float, float]:
    """How the other colour of a green place's row or column bends there, as a share of itself.

    Also by how much it differs to the two sides; 0 where its places are not good.
    """
    for n in (-3, -1, 1, 3):
        if not _is_good(y + n * dy, x + n * dx, is_bad):
            return 0.0, 0.0
    before, after = float(mosaic[y - dy, x - dx]), float(mosaic[y + dy, x + dx])
    far = float(mosaic[y - 3 * dy, x - 3 * dx]) + float(mosaic[y + 3 * dy, x + 3 * dx])
    light = (before + after) / 2.0 - black
    return (before + after - far) / 4.0 / max(light, 16.0), abs(before - after)


@njit(cache=True, nogil=True)
def _by_pairs(
    mosaic: NDArray[np.uint16],
    colours: NDArray[np.int64],
    offsets: NDArray[np.int64],
    at_rows: NDArray[np.int64],
    at_columns: NDArray[np.int64],
    is_bad: NDArray[np.bool_],
    black: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> NDArray[np.uint16]:
    rows, columns = colours.shape
    out = np.empty(at_rows.size, dtype=np.uint16)
    for n in range(at_rows.size):
        y, x = at_rows[n], at_columns[n]
        middle, least, largest = _median_around(mosaic, offsets[y % rows, x % columns], y, x, is_bad)
        if middle < 0.0:
            out[n] = mosaic[y, x]
            continue
        colour = colours[y % rows, x % columns]
        pairs = _GREEN_PAIRS if colour == 1 else _PAIRS
        bends, turns = np.zeros(4), np.zeros(4)
        green_here = -1.0
        if colour == 1:
            for k in range(2):
                own = colours[(y + pairs[k, 0] // 2) % rows, (x + pairs[k, 1] // 2) % columns]
                bend, turn = _bend(mosaic, y, x, pairs[k, 0] // 2, pairs[k, 1] // 2, is_bad, black[own])
                bends[k], turns[k] = min(max(bend, -1.0), 1.0) * (middle - black[1]), turn
            bends[2] = bends[3] = _CORNERS * (bends[0] + bends[1]) / 2.0
        else:
            green_here, across, down = _green_at(mosaic, y, x, is_bad)
            turns[0], turns[1] = max(across, 0.0), max(down, 0.0)
            turns[2] = turns[3] = (turns[0] + turns[1]) / 2.0
        slack = (largest - least) / 8.0 + 1.0
        if weights.size > 0:
            learnt = from_around(mosaic, colours, weights, y, x, is_bad, black)
            if learnt >= 0.0:
                out[n] = np.uint16(np.rint(min(max(learnt, least - 4.0 * slack, 0.0), largest + 4.0 * slack)))
                continue
        total, weight = 0.0, 0.0
        for k in range(4):
            dy, dx = pairs[k]
            if not _is_good(y - dy, x - dx, is_bad):
                continue
            if not _is_good(y + dy, x + dx, is_bad):
                continue
            a, b = float(mosaic[y - dy, x - dx]), float(mosaic[y + dy, x + dx])
            differ = abs(a - b) + turns[k]
            value = (a + b) / 2.0 + bends[k]
            if green_here >= 0.0:
                green_a, _, _ = _green_at(mosaic, y - dy, x - dx, is_bad)
                green_b, _, _ = _green_at(mosaic, y + dy, x + dx, is_bad)
                if green_a >= 0.0 and green_b >= 0.0:
                    between = (green_a + green_b) / 2.0
                    ratio = (value - black[colour]) / max(between - black[1], 16.0)
                    value += min(max(ratio, 0.0), 2.0) * (green_here - between)
                    differ += abs(green_here - between)
            w = 1.0 / ((differ + slack) ** 2 * (dy * dy + dx * dx))
            total, weight = total + w * value, weight + w
        if weight > 0.0:
            middle = min(max(total / weight, least - 4.0 * slack), largest + 4.0 * slack)
        out[n] = np.uint16(np.rint(min(max(middle, 0.0), 65535.0)))
    return out
