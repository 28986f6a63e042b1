"""The small JPEG that a DNG shows of itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import simplejpeg
from numpy.typing import NDArray

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
