"""A quick look at an exposure: the small picture its file carries, or a reduced decode."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.capture.containers import container_of
from belvedere.capture.decode import decode, turn
from belvedere.capture.embedded_jpeg import embedded_jpegs
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.jpeg_pixels import jpeg_pixels
from belvedere.capture.letterbox import without_bars
from belvedere.capture.metadata import CUT_SHORT
from belvedere.capture.raw import develop_raw_small
from belvedere.capture.raw_previews import Preview, raw_previews
from belvedere.errors import UnreadableFile

_ENOUGH_PX = 1024  # long side to which larger embedded pictures are decoded reduced: more costs time only
_LEAST_PX = 16  # of a short side; less shows nothing


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
    try:
        container = container_of(exposure.file)
        if container == "raw":
            return _first_sound([("preview", p) for p in raw_previews(exposure.file)], exposure.metadata)
        if container != "jpeg":
            return None
        with exposure.file.open("rb") as stream:
            candidates = embedded_jpegs(stream)
    except (OSError, UnreadableFile):
        return None
    return _first_sound(candidates, exposure.metadata)


def _first_sound(candidates: Sequence[tuple[str, Preview]], metadata: Metadata) -> Glance | None:
    """The first picture that decodes and shows the frame, as displayed."""
    for kind, preview in candidates:
        try:
            pixels = _small_pixels(preview, _ENOUGH_PX)
        except ValueError:
            continue
        shown = _as_displayed(pixels, metadata)
        if shown is not None:
            return Glance(shown, "preview" if kind == "preview" else "thumbnail")
    return None


def _small_pixels(preview: Preview, long_side: int) -> NDArray[np.uint8]:
    """A preview's pixels, decoded no larger than needed for a long side of `long_side` px."""
    if not isinstance(preview, bytes):
        return preview
    height, width = simplejpeg.decode_jpeg_header(preview)[:2]
    share = long_side / max(width, height)
    return jpeg_pixels(preview, least_width=math.ceil(width * share), least_height=math.ceil(height * share))


def _as_displayed(pixels: NDArray[np.uint8], metadata: Metadata) -> NDArray[np.uint8] | None:
    """An embedded picture without bars and turned as displayed; None where it does not show the frame.

    Embedded pictures lie as the frame is stored and are turned with it. Where one fits only the frame as
    displayed, the camera has turned it already.
    """
    image = without_bars(pixels, metadata.stored_width, metadata.stored_height)
    orientation = metadata.orientation
    if image is None and orientation >= 5:
        image, orientation = without_bars(pixels, metadata.width, metadata.height), 1
    if image is None or min(image.shape[:2]) < _LEAST_PX:
        return None
    return np.ascontiguousarray(turn(np.ascontiguousarray(image), orientation), dtype=np.uint8)


def reduced_look(exposure: Exposure, *, long_side: int) -> Glance:
    """The exposure itself, reduced by areas to `long_side` px; smaller pictures stay as they are.

    Of a raw file an embedded picture that is large enough is taken, else the raw picture is developed.

    Raises
    ------
    UnreadableFile
        If the picture cannot be decoded.
    ValueError
        If `long_side` is not > 0.
    """
    if long_side < 1:
        raise ValueError(f"expected a long side of at least 1 px, got {long_side}")
    container = container_of(exposure.file)
    try:
        if container == "jpeg":
            stored = _small_pixels(exposure.file.read_bytes(), long_side)
            small = turn(reduced(stored, long_side), exposure.metadata.orientation)
        elif container == "raw":
            small = reduced(_look_at_raw(exposure, long_side), long_side)
        else:
            small = reduced(decode(exposure), long_side)
    except OSError as error:
        raise UnreadableFile(exposure.file, f"cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise UnreadableFile(exposure.file, f"{CUT_SHORT} ({error})") from error
    if small.dtype == np.uint16:
        small = (small // 257).astype(np.uint8)
    return Glance(np.ascontiguousarray(small, dtype=np.uint8), "reduced")


def _look_at_raw(exposure: Exposure, long_side: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """A raw file as displayed, at least `long_side` px long if it has them."""
    file, metadata = exposure.file, exposure.metadata
    for preview in raw_previews(file, long_side=long_side):
        try:
            shown = _as_displayed(_small_pixels(preview, long_side), metadata)
        except ValueError:
            continue
        if shown is not None and max(shown.shape[:2]) >= long_side:
            return shown
    if max(metadata.stored_width, metadata.stored_height) >= 2 * long_side:
        return turn(develop_raw_small(file), metadata.orientation)
    return decode(exposure)


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
