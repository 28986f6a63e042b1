"""Pixels of an exposure as displayed, at the depth of its file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.containers import Container, container_of
from belvedere.capture.frame import Exposure
from belvedere.capture.heif import read_heif_pixels
from belvedere.capture.jpeg_pixels import jpeg_pixels
from belvedere.capture.metadata import CUT_SHORT, read_metadata
from belvedere.capture.raw import Mending, develop_raw, develop_scene, srgb_codes_of_light
from belvedere.capture.tiff_pages import read_tiff_pixels
from belvedere.errors import UnreadableFile

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


def decode(exposure: Exposure, mending: Mending | None = None) -> Pixels:
    """Decode an exposure, turned as its Exif Orientation says, once.

    Parameters
    ----------
    exposure : Exposure
        The file, and in which light it is wanted.
    mending : Mending or None
        For the sensor's values of a raw file.

    Returns
    -------
    ndarray of shape (height, width, 3), uint8 or uint16, contiguous
        Code values of the file, 0 to 255 or 0 to 65535; greyscale in three equal channels, alpha dropped.
        Of a raw file the light of `capture.raw.develop_raw`, coded by sRGB's curve: what `read_transfer`
        undoes, so that codes step as finely in shadows as those of any other file, for every stage above. In
        scene light that of `capture.raw.develop_scene`, coded by the same curve: the camera's own colour.

    Raises
    ------
    UnreadableFile
        If the file is cut short, damaged where that shows, of a kind that is not read, larger than a frame
        may be, no longer what its metadata said, or no raw file where scene light is wanted. Nothing
        missing is ever filled in.
    """
    file, metadata = exposure.file, exposure.metadata
    now = read_metadata(file)
    if (now.stored_width, now.stored_height) != (metadata.stored_width, metadata.stored_height):
        raise UnreadableFile(file, "has changed since it was first read; start again")
    kind = container_of(file)
    if exposure.light == "scene":
        if kind != "raw":
            raise UnreadableFile(file, "is no raw file, so it does not hold the camera's own light")
        stored: Pixels = _coded(develop_scene(file, mending))
    else:
        stored = _read_raw(file, mending) if kind == "raw" else _READERS[kind](file)
    height, width = stored.shape[:2]
    if (width, height) != (metadata.stored_width, metadata.stored_height):
        raise UnreadableFile(
            file,
            f"declares {metadata.stored_width} x {metadata.stored_height} px but holds {width} x {height}",
        )
    return turn(stored, metadata.orientation)


def turn(stored: Pixels, orientation: int) -> Pixels:
    """The pixels as displayed, from those as stored, by Exif Orientation 1 to 8 (CIPA DC-008, tag 0x0112).

    The same as `geometry.orientation.displayed`, contiguous and several times faster.
    """
    if orientation == 1:
        return stored
    if orientation in _TURNS:
        return cv2.rotate(stored, _TURNS[orientation])  # type: ignore[return-value]
    if orientation in _MIRRORS:
        return cv2.flip(stored, _MIRRORS[orientation])  # type: ignore[return-value]
    transposed = cv2.transpose(stored)
    return transposed if orientation == 5 else cv2.rotate(transposed, cv2.ROTATE_180)  # type: ignore[return-value]


_TURNS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
_MIRRORS = {2: 1, 4: 0}  # OpenCV: 1 left-right, 0 top-bottom


def _read_bytes(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error


def _read_jpeg(file: Path) -> Pixels:
    data = _read_bytes(file)
    try:
        return jpeg_pixels(data)
    except ValueError as error:
        raise UnreadableFile(file, f"{CUT_SHORT} ({error})") from error


def _read_png(file: Path) -> Pixels:
    try:
        samples = imagecodecs.png_decode(_read_bytes(file))
    except imagecodecs.PngError as error:
        raise UnreadableFile(file, f"{CUT_SHORT} ({error})") from error
    if samples.ndim == 2:
        samples = samples[..., None]
    if samples.shape[2] < 3:
        return np.repeat(samples[..., :1], 3, axis=2)
    return np.ascontiguousarray(samples[..., :3])


def _read_raw(file: Path, mending: Mending | None) -> Pixels:
    return _coded(develop_raw(file, mending))


def _coded(light: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Linear light by sRGB's curve, in place."""
    codes = srgb_codes_of_light()
    for row in range(0, light.shape[0], _ROWS_AT_ONCE):
        light[row : row + _ROWS_AT_ONCE] = codes[light[row : row + _ROWS_AT_ONCE]]
    return light


_ROWS_AT_ONCE = 64
_READERS: dict[Container, Callable[[Path], Pixels]] = {
    "jpeg": _read_jpeg,
    "png": _read_png,
    "tiff": read_tiff_pixels,
    "heif": read_heif_pixels,
}
