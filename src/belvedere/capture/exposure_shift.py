"""By how much the camera moved between two exposures of one pose, px."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE_PX = 256
"""Side of the windows that are compared."""

_COMMON_WHITE = 0.7  # of the longer exposure: what is brighter is made alike in both
_LEAST_RESPONSE = 0.2  # of a window's correlation peak
_LEAST_CONTRAST = 0.01  # standard deviation of square roots of light
_CLEAR_SHARE = 0.5  # of the best window's peak, that a window's needs to count
_FEWEST, _SURE_RESPONSE = 2, 0.4  # windows that are enough, or the peak of a single one
_MOST_SCATTER_PX = 1.5


@dataclass(frozen=True, slots=True)
class Shift:
    """What a detail's place in the second exposure is more than in the first, px; NaN where unknown."""

    x: float = math.nan
    y: float = math.nan
    scatter_px: float = math.nan

    @property
    def is_known(self) -> bool:
        """Whether windows enough agree on it."""
        return math.isfinite(self.x) and math.isfinite(self.y)

    @property
    def length_px(self) -> float:
        """Its length; 0 where unknown."""
        return math.hypot(self.x, self.y) if self.is_known else 0.0


def measure_shift(
    first: NDArray[np.float32], second: NDArray[np.float32], ratio: float, noise_light: float
) -> Shift:
    """Measure the shift between bands of rows of two exposures by phase correlation in windows.

    Light is made alike first: brought to the longer exposure's scale, cut at what that one holds, its square
    root taken so that photon noise is even. The median over windows stands against what moved.

    Parameters
    ----------
    first, second : ndarray of shape (n, rows, width), float32
        Bands of green light of the longer and of the shorter exposure, each 1 at its own white.
    ratio : float
        Light of the longer over the shorter.
    noise_light : float
        One sigma of the readout noise of the shorter, on the longer's scale: less light counts as this much.

    References
    ----------
    C. D. Kuglin, D. C. Hines, The phase correlation image alignment method, IEEE Conference on
    Cybernetics and Society (1975), from memory; with the peak's centroid by OpenCV.
    """
    found = []
    for a, b in _windows(first, second):
        left = _alike(a, 1.0, noise_light)
        right = _alike(b, ratio, noise_light)
        if min(left.std(), right.std()) < _LEAST_CONTRAST:
            continue
        hann = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
        (x, y), response = cv2.phaseCorrelate(left - left.mean(), right - right.mean(), hann)
        if response >= _LEAST_RESPONSE:
            found.append((x, y, response))
    best = max((response for _, _, response in found), default=0.0)
    clear = [(x, y) for x, y, response in found if response >= _CLEAR_SHARE * best]
    if len(clear) < _FEWEST and best < _SURE_RESPONSE:
        return Shift()
    shifts = np.array(clear)
    middle = np.median(shifts, axis=0)
    scatter = float(1.4826 * np.median(np.hypot(*(shifts - middle).T)))
    if scatter > _MOST_SCATTER_PX:
        return Shift(scatter_px=scatter)
    return Shift(float(middle[0]), float(middle[1]), scatter)


def _windows(
    first: NDArray[np.float32], second: NDArray[np.float32]
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """Windows spread over the bands; one as large as the band where that is smaller."""
    for a, b in zip(first, second, strict=True):
        rows, width = a.shape
        high, wide = min(rows, SIDE_PX), min(width, SIDE_PX)
        down = max(1, min(3, rows // high))
        across = max(1, min(6, width // wide))
        for y in np.linspace(0, rows - high, down).astype(int):
            for x in np.linspace(0, width - wide, across).astype(int):
                yield a[y : y + high, x : x + wide], b[y : y + high, x : x + wide]


def _alike(light: NDArray[np.float32], ratio: float, noise_light: float) -> NDArray[np.float32]:
    """Square roots of light on the longer's scale, cut at what both exposures hold."""
    held = np.clip(light * np.float32(ratio), max(noise_light, 1e-6), _COMMON_WHITE)
    return np.asarray(np.sqrt(held), np.float32)
