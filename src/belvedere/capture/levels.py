"""A frame's halving levels, and windows with replicated edges: the one rule for every FrameSource."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

SMALLEST_SIDE_PX = 32
"""Halving stops once the shorter side would fall below this, px (our choice: nothing is matched on less)."""


def level_sizes(width: int, height: int) -> tuple[tuple[int, int], ...]:
    """(width, height) of every level of a frame, full size first; an odd side is rounded up."""
    sizes = [(width, height)]
    while min(width, height) >= 2 * SMALLEST_SIDE_PX:
        width, height = (width + 1) // 2, (height + 1) // 2
        sizes.append((width, height))
    return tuple(sizes)


def level_count(width: int, height: int) -> int:
    """Number of levels of a frame of this size, >= 1."""
    return len(level_sizes(width, height))


@njit(cache=True, nogil=True)
def _halve(source: NDArray[Any], scale: int, out: NDArray[np.uint16]) -> None:
    """Write the 2 x 2 means of source * scale to out, halves up; odd edges replicated."""
    height, width = source.shape[0], source.shape[1]
    for j in range(out.shape[0]):
        top = source[2 * j]
        bottom = source[min(2 * j + 1, height - 1)]
        for i in range(width // 2):
            left, right = 2 * i, 2 * i + 1
            for k in range(3):
                total = np.uint32(top[left, k]) + np.uint32(top[right, k])
                total += np.uint32(bottom[left, k]) + np.uint32(bottom[right, k])
                out[j, i, k] = (total * np.uint32(scale) + np.uint32(2)) >> np.uint32(2)
        if width % 2:
            for k in range(3):
                total = np.uint32(2) * (np.uint32(top[width - 1, k]) + np.uint32(bottom[width - 1, k]))
                out[j, width // 2, k] = (total * np.uint32(scale) + np.uint32(2)) >> np.uint32(2)


def halve(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint16]:
    """The next level of a picture: means of 2 x 2, halves rounded up, an odd edge replicated.

    Parameters
    ----------
    pixels : ndarray of shape (height, width, 3), uint8 or uint16
        8-bit codes are multiplied by 257 before the mean, so that 255 becomes 65535.

    Returns
    -------
    ndarray of shape (ceil(height / 2), ceil(width / 2), 3), uint16
    """
    height, width = pixels.shape[:2]
    out = np.empty(((height + 1) // 2, (width + 1) // 2, 3), np.uint16)
    _halve(pixels, 257 if pixels.dtype == np.uint8 else 1, out)
    return out


def edge_window(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], x0: int, y0: int, x1: int, y1: int
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Cut x0 <= x < x1, y0 <= y < y1 from a picture, edges replicated outside it; a contiguous copy."""
    height, width = pixels.shape[:2]
    if x1 < x0 or y1 < y0:
        raise ValueError(f"expected a window with x0 <= x1 and y0 <= y1, got {(x0, y0, x1, y1)}")
    if x0 >= 0 and y0 >= 0 and x1 <= width and y1 <= height:
        return pixels[y0:y1, x0:x1].copy()
    columns = np.clip(np.arange(x0, x1), 0, width - 1)
    rows = np.clip(np.arange(y0, y1), 0, height - 1)
    return pixels[rows[:, None], columns[None, :]]
