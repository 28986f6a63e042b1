"""A JPEG to be shared: sRGB, with its profile, and as much metadata as is told.

Sources: ITU-T T.81 (JPEG); ICC.1:2022, annex B.4, for the profile in it; both written by Pillow and libjpeg.
"""

from __future__ import annotations

from typing import IO

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from belvedere.capture.primaries import srgb_profile
from belvedere.deliver.iptc import records_segment
from belvedere.deliver.share_metadata import ShareMetadata
from belvedere.optics.file_limits import JPEG_LIBRARY_SIDE

QUALITY = 90
"""JPEG quality where nobody chooses (libjpeg's scale of 1 to 100; common practice, no published source)."""

FULL_COLOUR_FROM = 90
"""JPEG quality from which colour is kept at full resolution."""


def write_share_jpeg(
    file: IO[bytes],
    rgb: NDArray[np.uint8],
    *,
    quality: int = QUALITY,
    metadata: ShareMetadata | None = None,
) -> None:
    """Write a JPEG of sRGB codes; the same bytes for the same arguments.

    Parameters
    ----------
    file : binary file
    rgb : ndarray of shape (h, w, 3), uint8
        1 <= h, w <= 65,500.
    quality : int
        1 to 100; from 90 on without colour subsampling.
    metadata : ShareMetadata, optional

    Raises
    ------
    ValueError
        If the array is no such picture.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise ValueError(f"a JPEG needs uint8 of shape (h, w, 3), not {rgb.dtype} {rgb.shape}")
    if not 1 <= min(rgb.shape[:2]) <= max(rgb.shape[:2]) <= JPEG_LIBRARY_SIDE:
        raise ValueError(f"a JPEG has sides of 1 to {JPEG_LIBRARY_SIDE} px, not {rgb.shape[:2]}")
    told = metadata or ShareMetadata()
    extra: dict[str, bytes] = {}
    if told.exif is not None:
        extra["exif"] = told.exif
    if told.xmp is not None:
        extra["xmp"] = told.xmp
    if told.iptc is not None and (segment := records_segment(told.iptc)) is not None:
        extra["extra"] = segment
    Image.fromarray(np.ascontiguousarray(rgb)).save(
        file,
        "JPEG",
        quality=quality,
        subsampling="4:4:4" if quality >= FULL_COLOUR_FROM else "4:2:0",
        icc_profile=srgb_profile(),
        **extra,
    )
