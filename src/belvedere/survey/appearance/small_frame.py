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
    fine, coarse : ndarray (h, w), float32
        Change of colour per px (CIE 1976 difference) after Gaussians of 1 and 3 px.
    """

    codes: NDArray[np.uint8]
    lab8: NDArray[np.uint8]
    lab: NDArray[np.float32]
    fine: NDArray[np.float32]
    coarse: NDArray[np.float32]


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
    return SmallFrame(codes, lab8, lab, _change(lab, 1.0), _change(lab, 3.0))


def _change(lab: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(lab, (0, 0), sigma_px)
    right, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    return np.asarray(np.sqrt((right * right + down * down).sum(axis=2)) / 8.0, dtype=np.float32)


def skin_likeness(colour: NDArray[np.floating]) -> NDArray[np.float64]:
    """How much Lab colours (n, 3) look like skin of any tone, 0 to 1.

    Hue angles of skin lie about 50 degrees from light to dark tones, and chroma falls in shade: from memory,
    after A. Chardon, I. Cretois, C. Hourseau, Skin colour typology and suntanning pathways, International
    Journal of Cosmetic Science 13 (1991). Wide on purpose: white balance turns it; never enough by itself.
    """
    hue = np.degrees(np.arctan2(colour[:, 2], colour[:, 1]))
    chroma = np.hypot(colour[:, 1], colour[:, 2])
    likeness = np.exp(-0.5 * ((hue - 50.0) / 28.0) ** 2)
    return np.asarray(likeness * np.clip((chroma - 4.0) / 8.0, 0, 1) * np.clip((60.0 - chroma) / 20.0, 0, 1))
