"""The small JPEG that a DNG shows of itself: camera light developed plainly for a screen.

The matrix from camera colour is used as the readers tried do: its rows scaled so that the neutral as shot
becomes white, without adaptation of its own (the way of LibRaw; DNG 1.4, "Mapping Camera Color Space to CIE
XYZ", adapts more finely; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import simplejpeg
from numpy.typing import NDArray

_XYZ_FROM_SRGB = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)  # IEC 61966-2-1
_QUALITY = 90


@dataclass(frozen=True, slots=True)
class DngPreview:
    """A JPEG stream of sRGB, chroma at half the size, and its size in px."""

    jpeg: bytes
    width: int
    height: int


def encode_dng_preview(rgb: NDArray[np.uint8]) -> DngPreview:
    """Code a small picture (h, w, 3) of sRGB; the same bytes for the same picture."""
    height, width = rgb.shape[:2]
    stream = simplejpeg.encode_jpeg(
        np.ascontiguousarray(rgb), quality=_QUALITY, colorspace="RGB", colorsubsampling="420"
    )
    return DngPreview(bytes(stream), width, height)


def srgb_from_camera(
    matrix: Sequence[Sequence[float]] | NDArray[np.float64], neutral: Sequence[float]
) -> NDArray[np.float64]:
    """What takes camera light, balance undone, to linear sRGB light with the neutral white; (3, 3).

    Parameters
    ----------
    matrix : (3, 3)
        CIE XYZ to camera colour under an illuminant near daylight: ColorMatrix of a DNG.
    neutral : (3,)
        The camera's response to white, > 0, its largest 1.
    """
    camera = np.asarray(matrix, np.float64) @ _XYZ_FROM_SRGB
    camera /= camera.sum(axis=1, keepdims=True)  # white to (1, 1, 1)
    return np.asarray(np.linalg.inv(camera) / np.asarray(neutral, np.float64)[None, :])


def developed(
    light: NDArray[np.floating],
    matrix: Sequence[Sequence[float]] | NDArray[np.float64],
    neutral: Sequence[float],
) -> NDArray[np.uint8]:
    """Camera light (h, w, 3), 1.0 = white level, balance undone, as sRGB codes (h, w, 3)."""
    linear = np.clip(np.asarray(light, np.float64) @ srgb_from_camera(matrix, neutral).T, 0.0, 1.0)
    codes = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055)
    return np.rint(codes * 255.0).astype(np.uint8)
