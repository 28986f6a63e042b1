"""A frame small enough to judge at a glance: its colours, and how fast they change."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

LONG_SIDE = 160
"""Px; what a thumbnail of Exif has, so that all frames are judged alike."""


@dataclass(frozen=True, slots=True)
class SmallFrame:
    """A reduced frame.

    Parameters
    ----------
    codes : ndarray (h, w, 3), uint8
        sRGB.
    lab8 : ndarray (h, w, 3), uint8
        CIE Lab in 8-bit codes, slightly smoothed.
    lab : ndarray (h, w, 3), float32
        CIE Lab; L from 0 to 100.
    fine : ndarray (h, w), float32
        Change of colour per px (CIE 1976 difference) after a Gaussian of 1 px.
    """

    codes: NDArray[np.uint8]
    lab8: NDArray[np.uint8]
    lab: NDArray[np.float32]
    fine: NDArray[np.float32]


def small_frame(image: NDArray[np.uint8], long_side: int = LONG_SIDE) -> SmallFrame:
    """Reduce a frame (h, w, 3) by area to a long side in px."""
    height, width = image.shape[:2]
    scale = long_side / max(height, width)
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    codes = np.ascontiguousarray(cv2.resize(image, size, interpolation=how), dtype=np.uint8)
    lab8 = np.asarray(cv2.GaussianBlur(cv2.cvtColor(codes, cv2.COLOR_RGB2Lab), (0, 0), 0.8), dtype=np.uint8)
    light = codes.astype(np.float32) * np.float32(1.0 / 255.0)
    lab = np.asarray(cv2.cvtColor(light, cv2.COLOR_RGB2Lab), dtype=np.float32)
    return SmallFrame(codes, lab8, lab, _change(lab))


def _change(lab: NDArray[np.float32]) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.0)
    right, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    return np.asarray(np.sqrt((right * right + down * down).sum(axis=2)) / 8.0, dtype=np.float32)
