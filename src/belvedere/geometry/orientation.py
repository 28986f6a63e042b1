"""Exif Orientation: from the pixels as stored (sensor axes) to the frame as displayed.

Source: CIPA DC-008 (Exif 2.32), tag 0x0112; values 1 to 8.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Displayed axes in stored axes: displayed x = A[0] . (stored x, stored y), displayed y = A[1] . (...).
_AXES: dict[int, tuple[tuple[int, int], tuple[int, int]]] = {
    1: ((1, 0), (0, 1)),
    2: ((-1, 0), (0, 1)),
    3: ((-1, 0), (0, -1)),
    4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)),
    6: ((0, -1), (1, 0)),
    7: ((0, -1), (-1, 0)),
    8: ((0, 1), (-1, 0)),
}


def display_axes(orientation: int) -> NDArray[np.float64]:
    """The 2 x 2 matrix that takes offsets from the centre in stored pixels to displayed pixels.

    Raises
    ------
    ValueError
        If `orientation` is not 1 to 8.
    """
    if orientation not in _AXES:
        raise ValueError(f"Exif Orientation must be 1 to 8, got {orientation}")
    return np.array(_AXES[orientation], dtype=np.float64)


def is_sideways(orientation: int) -> bool:
    """Whether the stored width becomes the displayed height."""
    return orientation >= 5


def displayed(pixels: NDArray[np.generic], orientation: int) -> NDArray[np.generic]:
    """The pixels (height, width, ...) as displayed, as a view where possible."""
    axes = display_axes(orientation)
    if is_sideways(orientation):
        pixels = np.swapaxes(pixels, 0, 1)
        flip_x, flip_y = axes[0, 1] < 0, axes[1, 0] < 0
    else:
        flip_x, flip_y = axes[0, 0] < 0, axes[1, 1] < 0
    if flip_y:
        pixels = pixels[::-1]
    if flip_x:
        pixels = pixels[:, ::-1]
    return pixels
