"""A small JPEG of the whole picture, with its profile and Exif."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from belvedere.compose.exif_block import ExifValues, exif_segment
from belvedere.compose.finished_file import finished_file

_QUALITY = 90
_LONGEST = 65_500
"""Side in px beyond which libjpeg refuses (JPEG_MAX_DIMENSION of jmorecfg.h, from memory)."""


def write_preview(
    path: Path,
    rgb: NDArray[np.uint8],
    icc: bytes | None,
    exif: ExifValues | None,
    *,
    pixels_per_inch: float = 300.0,
    software: str = "Belvedere",
) -> None:
    """Write a JPEG, whole or not at all.

    Parameters
    ----------
    path : Path
        The final name; a file already there is replaced when the new one is on the disk.
    rgb : ndarray of shape (h, w, 3), uint8
        1 <= h, w <= 65,500; uncovered parts filled as they should look.
    icc : bytes or None
        ICC profile of the samples.
    exif : ExifValues or None
        What the frames have in common.
    pixels_per_inch : float
        Print resolution.
    software : str
        Name and version.

    Raises
    ------
    OutputFailed
        If the folder may not be written to or the disk is full.
    ValueError
        If the array is no such picture.
    """
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8 or not 0 < max(rgb.shape) <= _LONGEST:
        raise ValueError(
            f"a preview needs uint8 of shape (h, w, 3) up to 65,500 px, not {rgb.dtype} {rgb.shape}"
        )
    height, width = rgb.shape[:2]
    segment = exif_segment(
        exif or ExifValues(), width, height, pixels_per_inch=pixels_per_inch, software=software
    )
    image = Image.fromarray(np.ascontiguousarray(rgb))
    with finished_file(path) as file:
        image.save(
            file,
            "JPEG",
            quality=_QUALITY,
            subsampling="4:2:0",
            icc_profile=icc,
            exif=segment,
            dpi=(pixels_per_inch, pixels_per_inch),
        )
