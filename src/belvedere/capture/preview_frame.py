"""A raw file's own large preview standing for its frame, where a quick judgement is wanted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.capture.containers import container_of
from belvedere.capture.decode import turn
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.jpeg_pixels import jpeg_pixels
from belvedere.capture.metadata import CUT_SHORT
from belvedere.capture.raw_previews import raw_previews
from belvedere.errors import UnreadableFile

LEAST_LONG_SIDE_PX = 2400
"""Of a preview that may stand for its frame: blur of a few px of the frame still shows. Our choice."""

_SAME_SHAPE = 0.02  # ratio of shapes that is only rounding and trimmed edges


def preview_frame(frame: Frame) -> Frame | None:
    """A raw file's frame as its largest preview shows it; None where no preview is large enough.

    Returns
    -------
    Frame or None
        The same file, with size, depth and focal-plane resolution of the preview; its pixels come from
        `preview_pixels`. None too where the file is no raw file, or shows another part of the picture.

    Raises
    ------
    UnreadableFile
        If the file cannot be read.
    """
    try:
        stream = _largest(frame.file) if container_of(frame.file) == "raw" else None
    except OSError as error:
        raise UnreadableFile(frame.file, f"cannot be read ({error.strerror or error})") from error
    if stream is None:
        return None
    metadata = _metadata_of(stream, frame.metadata)
    return None if metadata is None else Frame((Exposure(frame.file, metadata),), frame.mask)


def preview_pixels(frame: Frame) -> NDArray[np.uint8]:
    """Pixels of a frame that `preview_frame` gave: (height, width, 3), uint8, as displayed.

    Raises
    ------
    UnreadableFile
        If the preview cannot be decoded, or is no longer the one it was.
    """
    try:
        stream = _largest(frame.file)
        if stream is None:
            raise UnreadableFile(frame.file, "has changed since it was first read; start again")
        pixels = jpeg_pixels(stream)
    except OSError as error:
        raise UnreadableFile(frame.file, f"cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise UnreadableFile(frame.file, f"{CUT_SHORT} ({error})") from error
    metadata = frame.metadata
    if _is_turned(pixels.shape[1], pixels.shape[0], metadata):
        return np.ascontiguousarray(pixels, dtype=np.uint8)
    return np.ascontiguousarray(turn(pixels, metadata.orientation), dtype=np.uint8)


def _largest(file: Path) -> bytes | None:
    """The largest embedded JPEG of at least `LEAST_LONG_SIDE_PX`."""
    streams = [s for s in raw_previews(file, long_side=LEAST_LONG_SIDE_PX) if isinstance(s, bytes)]
    return streams[-1] if streams else None


def _metadata_of(stream: bytes, of_raw: Metadata) -> Metadata | None:
    height, width = simplejpeg.decode_jpeg_header(stream)[:2]
    if _is_turned(width, height, of_raw):
        width, height = height, width
    if not _alike(width / height, of_raw.stored_width / of_raw.stored_height):
        return None
    share = width / of_raw.stored_width
    dense = of_raw.focal_plane_px_per_mm
    return replace(
        of_raw,
        stored_width=width,
        stored_height=height,
        bits=8,
        focal_plane_px_per_mm=None if dense is None else dense * share,
    )


def _is_turned(width: int, height: int, of_raw: Metadata) -> bool:
    """Whether a preview of this size lies as the frame is displayed, where that is not as it is stored."""
    return (
        of_raw.orientation >= 5
        and _alike(width / height, of_raw.width / of_raw.height)
        and not _alike(width / height, of_raw.stored_width / of_raw.stored_height)
    )


def _alike(shape: float, other: float) -> bool:
    return abs(float(np.log(shape / other))) <= _SAME_SHAPE
