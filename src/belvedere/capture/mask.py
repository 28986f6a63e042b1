"""The photographer's mask of a frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.metadata import read_metadata


def read_mask(frame: Frame) -> NDArray[np.uint8] | None:
    """A frame's mask, (height, width) as displayed: 0 never, 255 prefer; None where it has none.

    Raises
    ------
    UnreadableFile
        If it cannot be read.
    """
    if frame.mask is None:
        return None
    pixels = decode(Exposure(frame.mask, read_metadata(frame.mask)))[..., 0]
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels.astype(np.uint8)
