"""Blur of a whole frame of light: a camera that moved, a lens out of focus."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

_FINE = 8  # samples a pixel along a path, and across a disc


def motion_kernel(length_px: float, angle_deg: float) -> NDArray[np.float32]:
    """Weights (odd, odd), sum 1, of an even motion along a straight path; x towards y is positive."""
    count = max(2, math.ceil(length_px * _FINE))
    along = (np.arange(count) + 0.5) / count * length_px - length_px / 2.0
    x, y = along * math.cos(math.radians(angle_deg)), along * math.sin(math.radians(angle_deg))
    reach = math.ceil(length_px / 2.0) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
    ix, iy = np.floor(x).astype(int), np.floor(y).astype(int)
    fx, fy = x - ix, y - iy
    for dx, dy, weight in (
        (0, 0, (1 - fx) * (1 - fy)),
        (1, 0, fx * (1 - fy)),
        (0, 1, (1 - fx) * fy),
        (1, 1, fx * fy),
    ):
        np.add.at(kernel, (iy + dy + reach, ix + dx + reach), weight)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def disc_kernel(diameter_px: float) -> NDArray[np.float32]:
    """Weights (odd, odd), sum 1, of an even circle of confusion."""
    reach = math.ceil(diameter_px / 2.0)
    fine = (np.arange((2 * reach + 1) * _FINE) + 0.5) / _FINE - (reach + 0.5)
    inside = fine[:, None] ** 2 + fine[None, :] ** 2 <= (diameter_px / 2.0) ** 2
    kernel = inside.reshape(2 * reach + 1, _FINE, 2 * reach + 1, _FINE).sum(axis=(1, 3)).astype(np.float64)
    kernel[reach, reach] += 0.0 if kernel.any() else 1.0
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def moved(light: NDArray[np.float32], length_px: float, angle_deg: float) -> NDArray[np.float32]:
    """Light (height, width[, channels]) of a camera that moved `length_px` during the exposure."""
    return _filtered(light, motion_kernel(length_px, angle_deg)) if length_px > 0.0 else light


def defocused(light: NDArray[np.float32], diameter_px: float) -> NDArray[np.float32]:
    """Light (height, width[, channels]) through a lens with this circle of confusion, px.

    Discs over 24 px across are drawn on a picture reduced by a whole number: nothing finer is left in it.
    """
    if diameter_px <= 0.0:
        return light
    height, width = light.shape[:2]
    shrink = max(1, int(diameter_px / 24.0))
    if shrink == 1:
        return _filtered(light, disc_kernel(diameter_px))
    small = cv2.resize(
        light, (max(1, width // shrink), max(1, height // shrink)), interpolation=cv2.INTER_AREA
    )
    small = _filtered(np.asarray(small), disc_kernel(diameter_px / shrink))
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC))


def _filtered(light: NDArray[np.float32], kernel: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REFLECT_101))
