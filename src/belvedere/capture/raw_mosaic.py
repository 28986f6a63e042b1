"""What a sensor read out: the values of a raw file before colours are made of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from belvedere.capture.filter_pattern import pattern_array, pattern_of
from belvedere.capture.hot_pixels import Mosaic
from belvedere.capture.raw import open_raw
from belvedere.capture.standing_out import Levels
from belvedere.errors import UnreadableFile


def read_mosaic(file: Path) -> Mosaic | None:
    """Read the sensor's values of a raw file.

    Returns
    -------
    Mosaic or None
        None where the file is no raw file that is read whole, or holds no values of single filters in red,
        green and blue.
    """
    import rawpy

    try:
        with open_raw(file) as raw:
            colours = pattern_array(raw)
            if colours is None:
                return None
            values = np.array(raw.raw_image_visible, dtype=np.uint16)
            return Mosaic(values, pattern_of(colours), _levels(raw))
    except (UnreadableFile, rawpy.LibRawError):
        return None


def _levels(raw: Any) -> Levels:
    """Codes of no light and of the camera's white."""
    black = [float(v) for v in raw.black_level_per_channel]
    return Levels((black[0], min(black[1], black[3]), black[2]), float(raw.white_level))
