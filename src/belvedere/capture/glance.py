"""A quick look at an exposure: the small picture its file carries, or a reduced decode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.containers import container_of
from belvedere.capture.decode import decode, turn
from belvedere.capture.embedded_jpeg import embedded_jpegs
from belvedere.capture.frame import Exposure
from belvedere.capture.jpeg_pixels import jpeg_pixels
from belvedere.capture.letterbox import without_bars
from belvedere.capture.metadata import CUT_SHORT
from belvedere.errors import UnreadableFile

_ENOUGH_PX = 1024  # long side to which larger embedded pictures are decoded reduced: more costs time only


@dataclass(frozen=True)
class Glance:
    """A small picture of an exposure.

    Parameters
    ----------
    image : ndarray of shape (height, width, 3), uint8, contiguous
        As displayed: Exif Orientation is applied. Encoded for a screen.
    kind : "thumbnail", "preview" or "reduced"
        Exif's thumbnail, a larger embedded picture, or the picture itself decoded small.
    """

    image: NDArray[np.uint8]
    kind: Literal["thumbnail", "preview", "reduced"]


def embedded_look(exposure: Exposure) -> Glance | None:
    """The largest small picture that the file carries of the whole frame; None where it has no sound one.

    Bars that fill a thumbnail's shape are cut off. A picture of another shape than the frame's, or one that
    is damaged, is passed over for the next. Nothing is raised: a file that is gone gives None.
    """
    metadata = exposure.metadata
    try:
        if container_of(exposure.file) != "jpeg":
            return None
        candidates = embedded_jpegs(exposure.file)
    except (OSError, UnreadableFile):
        return None
    for kind, stream in candidates:
        try:
            stored = jpeg_pixels(stream, least_width=_ENOUGH_PX * 3 // 4, least_height=_ENOUGH_PX // 2)
        except ValueError:
            continue
        image = without_bars(stored, metadata.stored_width, metadata.stored_height)
        if image is not None and min(image.shape[:2]) >= 16:
            shown = np.ascontiguousarray(turn(np.ascontiguousarray(image), metadata.orientation))
            return Glance(shown, "preview" if kind == "preview" else "thumbnail")  # type: ignore[arg-type]
    return None


def reduced_look(exposure: Exposure, *, long_side: int) -> Glance:
    """The exposure itself, reduced by areas to `long_side` px; smaller pictures stay as they are.

    Raises
    ------
    UnreadableFile
        If the picture cannot be decoded.
    ValueError
        If `long_side` is not > 0.
    """
    if long_side < 1:
        raise ValueError(f"expected a long side of at least 1 px, got {long_side}")
    file, metadata = exposure.file, exposure.metadata
    if container_of(file) == "jpeg":
        share = long_side / max(metadata.stored_width, metadata.stored_height)
        wide, high = (
            max(1, int(np.ceil(n * share))) for n in (metadata.stored_width, metadata.stored_height)
        )
        try:
            pixels = jpeg_pixels(file.read_bytes(), least_width=wide, least_height=high)
        except OSError as error:
            raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
        except ValueError as error:
            raise UnreadableFile(file, f"{CUT_SHORT} ({error})") from error
        small = turn(reduced(pixels, long_side), metadata.orientation)
    else:
        small = reduced(decode(exposure), long_side)
    if small.dtype == np.uint16:
        small = (small // 257).astype(np.uint8)
    return Glance(np.ascontiguousarray(small, dtype=np.uint8), "reduced")


def reduced(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], long_side: int
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Area means of a picture, its long side `long_side` px; the picture itself where it is no larger."""
    height, width = pixels.shape[:2]
    share = long_side / max(width, height)
    if share >= 1.0:
        return pixels
    size = max(1, round(width * share)), max(1, round(height * share))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)  # type: ignore[return-value]
