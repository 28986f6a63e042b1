"""The engine room of blend.py: reduction of ownership, and the corrections that close the seams.

All reductions and expansions use the binomial kernel (1, 4, 6, 4, 1)/16 of Burt and Adelson (a = 3/8), on
grids whose sample i at level l + 1 lies on sample 2 i of level l. Sums run in the order written.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose._sampling import INVALID, ON_FRAME


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
    out = np.empty((height, width), np.bool_)
    for j in range(height):
        j0 = ((y + j) >> 1) - y_above
        up = j0 if (y + j) & 1 else j0 - 1
        for i in range(width):
            i0 = ((x + i) >> 1) - x_above
            left = i0 if (x + i) & 1 else i0 - 1
            hit = False
            for jj in range(up, j0 + 2):
                for ii in range(left, i0 + 2):
                    hit |= mask[jj, ii]
            out[j, i] = hit
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _expanded(above: NDArray[np.float32], y: int, x: int, j0: int, i0: int, k: int) -> np.float32:
    """Channel k of `above` (h, w, 3) expanded at one sample: parity of (y, x), neighbours about (j0, i0)."""
    half, eighth, six = np.float32(0.5), np.float32(0.125), np.float32(0.75)
    if x & 1:
        if y & 1:
            a = above[j0, i0, k] + above[j0, i0 + 1, k]
            b = above[j0 + 1, i0, k] + above[j0 + 1, i0 + 1, k]
            return np.float32(half * (half * a + half * b))
        a = half * (above[j0 - 1, i0, k] + above[j0 - 1, i0 + 1, k])
        b = half * (above[j0, i0, k] + above[j0, i0 + 1, k])
        c = half * (above[j0 + 1, i0, k] + above[j0 + 1, i0 + 1, k])
        return np.float32(eighth * (a + c) + six * b)
    b = eighth * (above[j0, i0 - 1, k] + above[j0, i0 + 1, k]) + six * above[j0, i0, k]
    c = eighth * (above[j0 + 1, i0 - 1, k] + above[j0 + 1, i0 + 1, k]) + six * above[j0 + 1, i0, k]
    if y & 1:
        return np.float32(half * (b + c))
    a = eighth * (above[j0 - 1, i0 - 1, k] + above[j0 - 1, i0 + 1, k]) + six * above[j0 - 1, i0, k]
    return np.float32(eighth * (a + c) + six * b)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def combine(
    drawn: NDArray[np.float32],
    state: NDArray[np.uint8],
    masks: NDArray[np.float32],
    wanted: NDArray[np.bool_],
    above: NDArray[np.float32],
    x: int,
    y: int,
    x_above: int,
    y_above: int,
) -> None:
    """Replace what each frame shows at a level by what the joined picture has more: drawn := joined - drawn.

    joined = weighted mean over the frames of (drawn + expansion of the frame's correction `above`). Where
    any frame with a weight is on the picture, only such frames count; else those whose border reaches here.
    The mean is taken as differences from the first frame that counts, so that equal frames and a single
    frame pass through unrounded.

    Parameters
    ----------
    drawn : ndarray of shape (n, h, w, 3), float32, in and out
        Square root of light; out: correction, 0 where the frame has no say.
    state : ndarray of shape (n, h, w), uint8
        As `_sampling.locate`; INVALID where nothing was drawn.
    masks : ndarray of shape (n, h, w), float32
        Weights, not normalised.
    wanted : ndarray of shape (h, w), bool
        Where a correction is asked for.
    above : ndarray of shape (n, h', w', 3), float32
        Corrections of the level above, grid from (x_above, y_above); h' = 0 at the top.
    x, y : int
        First sample of this level's grid.
    """
    count, h, w = state.shape
    has_above = above.shape[1] > 0
    zero = np.float32(0.0)
    for j in range(h):
        j0 = ((y + j) >> 1) - y_above
        for i in range(w):
            i0 = ((x + i) >> 1) - x_above
            on, reached = zero, zero
            if wanted[j, i]:
                for n in range(count):
                    if state[n, j, i] == ON_FRAME:
                        on += masks[n, j, i]
                    if state[n, j, i] != INVALID:
                        reached += masks[n, j, i]
            least = ON_FRAME if on > zero else INVALID + 1
            total = on if on > zero else reached
            for k in range(3):
                first, joined = zero, zero
                found = False
                if total > zero:
                    for n in range(count):
                        if state[n, j, i] >= least and masks[n, j, i] > zero:
                            value = drawn[n, j, i, k]
                            if has_above:
                                value += _expanded(above[n], y + j, x + i, j0, i0, k)
                            if found:
                                joined += (masks[n, j, i] / total) * (value - first)
                            else:
                                first = value
                                found = True
                joined += first
                for n in range(count):
                    if found and state[n, j, i] != INVALID and masks[n, j, i] > zero:
                        drawn[n, j, i, k] = joined - drawn[n, j, i, k]
                    else:
                        drawn[n, j, i, k] = zero


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def correct(
    colour: NDArray[np.float32],
    order: NDArray[np.int16],
    wanted: NDArray[np.bool_],
    above: NDArray[np.float32],
    x: int,
    y: int,
    x_above: int,
    y_above: int,
) -> None:
    """Add each pixel's owner's correction, expanded, to its light (h, w, 3), in square roots.

    `order` (h, w) is the owner's place in `above` (n, h', w', 3), -1 for none. A correction of exactly 0
    leaves the light's bits alone.
    """
    h, w = order.shape
    zero = np.float32(0.0)
    for j in range(h):
        j0 = ((y + j) >> 1) - y_above
        for i in range(w):
            n = order[j, i]
            if n >= 0 and wanted[j, i]:
                i0 = ((x + i) >> 1) - x_above
                for k in range(3):
                    more = _expanded(above[n], y + j, x + i, j0, i0, k)
                    if more != zero:
                        root = max(np.sqrt(colour[j, i, k]) + more, zero)
                        colour[j, i, k] = root * root
