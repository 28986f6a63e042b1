"""The engine room of blend.py: reduction of ownership, and the corrections that close the seams.

All reductions and expansions use the binomial kernel (1, 4, 6, 4, 1)/16 of Burt and Adelson (a = 3/8), on
grids whose sample i at level l + 1 lies on sample 2 i of level l. Sums run in the order written.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def frames_present(labels: NDArray[np.int16], count: int) -> NDArray[np.bool_]:
    """Which of the frames 0 to count - 1 own a pixel of labels (h, w); -1 is no frame."""
    present = np.zeros(count, np.bool_)
    h, w = labels.shape
    for j in range(h):
        last = np.int16(-1)
        for i in range(w):
            if labels[j, i] != last:
                last = labels[j, i]
                if last >= 0:
                    present[last] = True
    return present


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def reduce_labels(labels: NDArray[np.int16], frames: NDArray[np.int16]) -> NDArray[np.float32]:
    """Reduce the masks [labels == frame] once: (2 h + 3, 2 w + 3) to (n, h, w), in 1/256, exact.

    Out sample (j, i) lies on label (2 j + 2, 2 i + 2).
    """
    h, w = (labels.shape[0] - 3) // 2, (labels.shape[1] - 3) // 2
    wide = labels.shape[1]
    out = np.empty((frames.size, h, w), np.float32)
    column = np.empty(wide, np.int16)
    for n in range(frames.size):
        f = frames[n]
        for j in range(h):
            for i in range(wide):
                ends = np.int16(labels[2 * j, i] == f) + np.int16(labels[2 * j + 4, i] == f)
                sides = np.int16(labels[2 * j + 1, i] == f) + np.int16(labels[2 * j + 3, i] == f)
                column[i] = np.int16(ends + 4 * sides + 6 * np.int16(labels[2 * j + 2, i] == f))
            for i in range(w):
                ends = column[2 * i] + column[2 * i + 4]
                sides = column[2 * i + 1] + column[2 * i + 3]
                out[n, j, i] = np.float32(ends + 4 * sides + 6 * column[2 * i + 2])
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def reduce_masks(masks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Reduce masks (n, 2 h + 3, 2 w + 3) to (n, h, w), times 256: 0 stays 0, all else positive."""
    count, h, w = masks.shape[0], (masks.shape[1] - 3) // 2, (masks.shape[2] - 3) // 2
    wide = masks.shape[2]
    four, six = np.float32(4.0), np.float32(6.0)
    out = np.empty((count, h, w), np.float32)
    column = np.empty(wide, np.float32)
    for n in range(count):
        for j in range(h):
            for i in range(wide):
                ends = masks[n, 2 * j, i] + masks[n, 2 * j + 4, i]
                sides = masks[n, 2 * j + 1, i] + masks[n, 2 * j + 3, i]
                column[i] = ends + four * sides + six * masks[n, 2 * j + 2, i]
            for i in range(w):
                ends = column[2 * i] + column[2 * i + 4]
                sides = column[2 * i + 1] + column[2 * i + 3]
                out[n, j, i] = ends + four * sides + six * column[2 * i + 2]
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def shared(masks: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where more than one of the masks (n, h, w) is above 0."""
    count, h, w = masks.shape
    out = np.empty((h, w), np.bool_)
    for j in range(h):
        for i in range(w):
            above = 0
            for n in range(count):
                above += 1 if masks[n, j, i] > 0.0 else 0
            out[j, i] = above > 1
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def spread(
    mask: NDArray[np.bool_], x: int, y: int, x_above: int, y_above: int, width: int, height: int
) -> NDArray[np.bool_]:
    """Samples of a level whose expansion reads any True sample of the level above.

    The level's grid starts at sample (x, y), that of `mask` at sample (x_above, y_above) of the level above.
    """
    out = np.zeros((height, width), np.bool_)
    column = np.empty(mask.shape[1], np.bool_)
    for j in range(height):
        j0 = ((y + j) >> 1) - y_above
        up = j0 if (y + j) & 1 else j0 - 1
        some = False
        for i in range(mask.shape[1]):
            column[i] = mask[up, i] | mask[j0, i] | mask[j0 + 1, i]
            some |= column[i]
        if some:
            for i in range(width):
                i0 = ((x + i) >> 1) - x_above
                left = i0 if (x + i) & 1 else i0 - 1
                out[j, i] = column[left] | column[i0] | column[i0 + 1]
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _expand_down(
    above: NDArray[np.float32], y: int, y_above: int, first: int, last: int, row: NDArray[np.float32]
) -> None:
    """Expand columns first to last of `above` (h, w, 3) to the row y of the level below: row (w * 3,)."""
    j0 = (y >> 1) - y_above
    half, eighth, most = np.float32(0.5), np.float32(0.125), np.float32(0.75)
    for i in range(first, last + 1):
        for k in range(3):
            if y & 1:
                row[3 * i + k] = half * (above[j0, i, k] + above[j0 + 1, i, k])
            else:
                ends = above[j0 - 1, i, k] + above[j0 + 1, i, k]
                row[3 * i + k] = eighth * ends + most * above[j0, i, k]


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _expand_across(row: NDArray[np.float32], x: int, x_above: int, k: int) -> np.float32:
    """Channel k of an expanded row at column x of the level below."""
    at = 3 * ((x >> 1) - x_above) + k
    if x & 1:
        return np.float32(np.float32(0.5) * (row[at] + row[at + 3]))
    return np.float32(np.float32(0.125) * (row[at - 3] + row[at + 3]) + np.float32(0.75) * row[at])


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _span(wanted: NDArray[np.bool_]) -> tuple[int, int]:
    """First and last True of a row; first > last if there is none."""
    first, last = wanted.size, -1
    for i in range(wanted.size):
        if wanted[i]:
            first = i
            break
    for i in range(wanted.size - 1, -1, -1):
        if wanted[i]:
            last = i
            break
    return first, last


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def combine(
    drawn: NDArray[np.float32],
    covered: NDArray[np.bool_],
    masks: NDArray[np.float32],
    wanted: NDArray[np.bool_],
    above: NDArray[np.float32],
    x: int,
    y: int,
    x_above: int,
    y_above: int,
) -> None:
    """Replace what each frame shows at a level by what the joined picture has more: drawn := joined - drawn.

    joined = weighted mean over the frames that cover the sample of (drawn + expansion of the frame's
    correction `above`). The mean is taken as differences from the first of them, so that equal frames and a
    single frame pass through unrounded. A frame that does not cover a sample keeps the level above's
    correction there: a border carried outwards is no evidence.

    Parameters
    ----------
    drawn : ndarray of shape (n, h, w, 3), float32, in and out
        Square root of light; out: correction, 0 where the frame has no say.
    covered : ndarray of shape (n, h, w), bool
        Where the frame was drawn and covers the sample.
    masks : ndarray of shape (n, h, w), float32
        Weights, not normalised.
    wanted : ndarray of shape (h, w), bool
        Where a correction is asked for.
    above : ndarray of shape (n, h', w', 3), float32
        Corrections of the level above, grid from (x_above, y_above); h' = 0 at the top.
    x, y : int
        First sample of this level's grid.
    """
    count, h = covered.shape[0], covered.shape[1]
    has_above = above.shape[1] > 0
    zero = np.float32(0.0)
    rows = np.zeros((count, max(3 * above.shape[2], 1)), np.float32)
    for j in range(h):
        first, last = _span(wanted[j])
        drawn[:, j, :first] = zero
        drawn[:, j, last + 1 :] = zero
        if has_above and first <= last:
            low, high = ((x + first) >> 1) - x_above - 1, ((x + last) >> 1) - x_above + 1
            for n in range(count):
                _expand_down(above[n], y + j, y_above, low, high, rows[n])
        for i in range(first, last + 1):
            total = zero
            for n in range(count):
                if wanted[j, i] and covered[n, j, i]:
                    total += masks[n, j, i]
            for k in range(3):
                base, joined = zero, zero
                found = False
                for n in range(count):
                    if total > zero and covered[n, j, i] and masks[n, j, i] > zero:
                        value = drawn[n, j, i, k]
                        if has_above:
                            value += _expand_across(rows[n], x + i, x_above, k)
                        if found:
                            joined += (masks[n, j, i] / total) * (value - base)
                        else:
                            base = value
                            found = True
                joined += base
                for n in range(count):
                    if not wanted[j, i] or not masks[n, j, i] > zero:
                        drawn[n, j, i, k] = zero
                    elif covered[n, j, i]:
                        drawn[n, j, i, k] = joined - drawn[n, j, i, k]
                    elif has_above:
                        drawn[n, j, i, k] = _expand_across(rows[n], x + i, x_above, k)
                    else:
                        drawn[n, j, i, k] = zero


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def carry_outwards(
    corrections: NDArray[np.float32],
    covered: NDArray[np.bool_],
    masks: NDArray[np.float32],
    wanted: NDArray[np.bool_],
) -> None:
    """Give a frame's correction (n, h, w, 3) just outside the frame the mean of those beside it, inside.

    Among the eight samples around; where none is covered the correction stays. Samples on the rim of the grid
    come out wrong, for want of neighbours.
    """
    count, h, w = covered.shape
    one = np.float32(1.0)
    total = np.empty(3, np.float32)
    for n in range(count):
        for j in range(1, h - 1):
            first, last = _span(wanted[j])
            for i in range(max(first, 1), min(last, w - 2) + 1):
                if not wanted[j, i] or covered[n, j, i] or not masks[n, j, i] > 0.0:
                    continue
                near = np.float32(0.0)
                total[:] = near
                for jj in range(j - 1, j + 2):
                    for ii in range(i - 1, i + 2):
                        if wanted[jj, ii] and covered[n, jj, ii] and masks[n, jj, ii] > 0.0:
                            near += one
                            for k in range(3):
                                total[k] += corrections[n, jj, ii, k]
                if near > 0.0:
                    for k in range(3):
                        corrections[n, j, i, k] = total[k] / near


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def correct(
    colour: NDArray[np.float32],
    labels: NDArray[np.int16],
    place: NDArray[np.int16],
    valid: NDArray[np.bool_],
    wanted: NDArray[np.bool_],
    above: NDArray[np.float32],
    x: int,
    y: int,
    x_above: int,
    y_above: int,
) -> None:
    """Add each pixel's owner's correction, expanded, to its light (h, w, 3), in square roots.

    `place` tells a label's place in `above` (n, h', w', 3), -1 for none; where the light is not valid, or the
    label below 0, nothing is added. A correction of exactly 0 leaves the light's bits alone; light below 0
    has the root 0.
    """
    h = labels.shape[0]
    zero = np.float32(0.0)
    rows = np.empty((above.shape[0], 3 * above.shape[2]), np.float32)
    for j in range(h):
        first, last = _span(wanted[j])
        if first > last:
            continue
        low, high = ((x + first) >> 1) - x_above - 1, ((x + last) >> 1) - x_above + 1
        for n in range(above.shape[0]):
            _expand_down(above[n], y + j, y_above, low, high, rows[n])
        for i in range(first, last + 1):
            if not wanted[j, i] or not valid[j, i] or labels[j, i] < 0:
                continue
            n = place[labels[j, i]]
            if n >= 0:
                for k in range(3):
                    more = _expand_across(rows[n], x + i, x_above, k)
                    if more != zero:
                        root = max(np.sqrt(max(colour[j, i, k], zero)) + more, zero)
                        colour[j, i, k] = root * root


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def put(
    frame: int,
    labels: NDArray[np.int16],
    drawn: NDArray[np.float32],
    covered: NDArray[np.float32],
    colour: NDArray[np.float32],
    coverage: NDArray[np.float32],
) -> None:
    """Copy a frame's light and coverage to the pixels that it owns and covers; all over the same (h, w)."""
    h, w = labels.shape
    for j in range(h):
        for i in range(w):
            if labels[j, i] == frame and covered[j, i] > 0.0:
                coverage[j, i] = covered[j, i]
                for k in range(3):
                    colour[j, i, k] = drawn[j, i, k]
