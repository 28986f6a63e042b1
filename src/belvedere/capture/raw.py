"""Cameras' own raw files: what they say of themselves, and their picture in linear light.

LibRaw, through rawpy, knows the cameras; tags of files built like TIFF are read directly, because LibRaw's
own account of them is short and takes the whole picture's reading.
"""

from __future__ import annotations

import io
from contextlib import nullcontext
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from PIL import JpegImagePlugin
from threadpoolctl import threadpool_limits

from belvedere.capture import exif
from belvedere.capture.containers import check_declared_size
from belvedere.capture.filter_pattern import pattern_array
from belvedere.capture.frame import Metadata
from belvedere.capture.raw_tiff import check_raw_directories, is_tiff_like, raw_tags
from belvedere.capture.transfer import SRGB_CURVE
from belvedere.errors import UnreadableFile

_CUT_SHORT = "is cut short or damaged; copy it from the card again"
_UNKNOWN = "is a raw file of a kind that is not read, or cut short; develop it to a 16-bit TIFF first"
_NOT_COVERED = "which --as does not cover; leave out --as, or the file"
_NO_COLOURS = f"comes from a sensor without colour filters, {_NOT_COVERED}"
_OTHER_COLOURS = f"comes from a sensor whose filters are not red, green and blue, {_NOT_COVERED}"

LEAST_BITS_PER_PX = 0.25
"""Fewest bits of file a px of a whole raw picture takes; less means most of it is missing. Lossless codes
take at least 1 (ITU-T T.81, annex H), the leanest file at hand 1.6; our choice leaves room for lossy ones."""

_ORIENTATION = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
"""Exif Orientation of LibRaw's `flip`, which counts mirror left-right, mirror top-bottom and transpose as
bits 1, 2 and 4; tried with all eight values."""

_SQUARE = 0.005  # a ratio of a pixel's sides nearer to 1 is left as it is by LibRaw
_SQUARE_PATTERN = (2, 2)
_TAIL_SHARE = 0.01
_ROWS_AT_ONCE = 64
_DATE_TIME = 0x0132


def read_raw_metadata(file: Path) -> Metadata:
    """Read a raw file's size, orientation and tags without its picture.

    Returns
    -------
    Metadata
        Size as `develop_raw` gives it, 16 bits, no profile: see `decode`.

    Raises
    ------
    UnreadableFile
        If the file is of no camera that is known, or too small for the picture it declares.
    """
    with open_raw(file) as raw:
        sizes = raw.sizes
        width, height = _developed_size(sizes)
        most = file.stat().st_size * 8 / LEAST_BITS_PER_PX
        check_declared_size(file, sizes.raw_width, sizes.raw_height, most)
        check_declared_size(file, width, height, 4.0 * most)  # pixels made square add some
        if is_tiff_like(file):
            check_raw_directories(file, sizes.raw_width * sizes.raw_height)
        tags = _tags(file, raw)
    for size_of_the_camera_s_jpeg in (exif.PIXEL_X, exif.PIXEL_Y):
        tags.pop(size_of_the_camera_s_jpeg, None)  # a cut-out of the raw picture, not a reduced copy
    tags[exif.ORIENTATION] = _ORIENTATION.get(int(sizes.flip), 1)
    tags.pop(exif.COLOR_SPACE, None)
    return Metadata(stored_width=width, stored_height=height, bits=16, **exif.settings(tags, width, height))


def develop_raw(file: Path, mending: Mending | None = None) -> NDArray[np.uint16]:
    """A raw file's picture in linear light, as stored: not turned.

    Colour filters are interpolated by LibRaw's AHD. Of pictures put through a filter array by us DHT gave
    back more (luminance within 1.57 codes of 255 RMS; AHD 1.65, VNG 1.64, PPG 1.86), but on two threads it
    gives other values on every run, and takes half as much memory again; VNG takes half as long again.
    White balance is the camera's own. The white level is the camera's and never the frame's own maximum, so
    that frames of a set keep their ratios. What a channel holds above white is clipped, and so is what
    sRGB's primaries cannot show: `develop_scene` has neither limit.

    Parameters
    ----------
    file : Path
    mending : Mending or None
        Applied to the sensor's values before colour filters are interpolated, where there are such.

    Returns
    -------
    ndarray of shape (height, width, 3), uint16, contiguous
        Proportional to light, 65535 at the camera's white; primaries of sRGB (IEC 61966-2-1).

    Raises
    ------
    UnreadableFile
        If the picture cannot be read whole.
    """
    ahd = _rawpy().DemosaicAlgorithm.AHD
    pixels = _developed(file, mending, demosaic_algorithm=ahd, gamma=(1, 1), output_bps=16)
    return np.ascontiguousarray(pixels, dtype=np.uint16)


class Mending(Protocol):
    """What puts right the places of a sensor that are known to be at fault."""

    @property
    def identity(self) -> str:
        """Differs where what `mend` does differs; empty where it does nothing. Fit for a file's name."""
        ...

    def mend(self, mosaic: NDArray[Any], pattern: NDArray[Any]) -> None:
        """Put right the sensor's values (height, width), in place, as stored.

        `pattern` holds the number of the colour of each place, 0 red, 1 and 3 green, 2 blue, and is repeated
        from the first pixel on.
        """
        ...


def develop_scene(file: Path, mending: Mending | None = None) -> NDArray[np.uint16]:
    """A raw file's light in the camera's own colour, white balance undone, as stored: not turned.

    Colour filters are interpolated as in `develop_raw`, on values balanced by the camera's multipliers with
    the largest 1, because the method compares colours; then the multipliers are divided out. Nothing is
    clipped but what the sensor itself clipped.

    Parameters
    ----------
    file : Path
    mending : Mending or None
        Applied to the sensor's values before colour filters are interpolated, where there are such.

    Returns
    -------
    ndarray of shape (height, width, 3), uint16, contiguous
        Red, green and blue, proportional to light; 65535 is the camera's white level in every channel.

    Raises
    ------
    UnreadableFile
        If the picture cannot be read whole, or the sensor has not these three colours.
    """
    rawpy = _rawpy()
    known = raw_colours(file)
    red, green, blue = known.multipliers
    light = _developed(
        file,
        mending,
        demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD,
        gamma=(1, 1),
        output_bps=16,
        output_color=rawpy.ColorSpace.raw,
        highlight_mode=rawpy.HighlightMode.Ignore,
        use_camera_wb=False,
        user_wb=[red, green, blue, green],
    )
    light = np.ascontiguousarray(light, dtype=np.uint16)
    largest = max(known.multipliers)
    for channel, multiplier in enumerate(known.multipliers):
        if multiplier < largest:
            # LibRaw cuts fractions off: a value stands for its middle, so that shadows keep their colour
            middles = np.floor((np.arange(65536) + 0.5) * (largest / multiplier))
            middles[0] = 0.0
            divided = np.minimum(middles, 65535.0).astype(np.uint16)
            for row in range(0, len(light), _ROWS_AT_ONCE):
                part = light[row : row + _ROWS_AT_ONCE, :, channel]
                part[...] = divided[part]
    return light


@dataclass(frozen=True, slots=True)
class RawColours:
    """What LibRaw knows of a raw file's colours.

    Parameters
    ----------
    multipliers : tuple of 3 float
        White balance as shot: factors on red, green and blue that make the scene's white grey; > 0. The
        camera's for daylight, or 1, where the file does not tell.
    camera_from_xyz : ndarray of shape (3, 3) or None
        What takes CIE XYZ to the camera's colour under daylight (D65); None where it is not known, and of a
        DNG, which tells itself.
    """

    multipliers: tuple[float, float, float]
    camera_from_xyz: NDArray[np.float64] | None


def raw_colours(file: Path) -> RawColours:
    """Read a raw file's white balance, and its camera's matrix where LibRaw knows it.

    Raises
    ------
    UnreadableFile
        If it is no raw file that is read, or its sensor has not red, green and blue filters.
    """
    with open_raw(file) as raw:
        if raw.num_colors == 1:
            raise UnreadableFile(file, _NO_COLOURS)
        if raw.num_colors != 3 or bytes(raw.color_desc)[:3] != b"RGB":
            raise UnreadableFile(file, _OTHER_COLOURS)
        matrix = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
        found = (raw.camera_whitebalance, raw.daylight_whitebalance, (1.0, 1.0, 1.0))
    for values in found:
        red, green, blue = (float(v) for v in list(values)[:3])
        if all(np.isfinite(v) and v > 0.0 for v in (red, green, blue)):
            break
    known = matrix.shape == (3, 3) and abs(float(np.linalg.det(matrix))) > 1e-6
    return RawColours((red, green, blue), matrix if known else None)


def develop_raw_small(file: Path) -> NDArray[np.uint8]:
    """A raw file's picture at half its size, encoded for a screen (sRGB's curve), as stored: not turned.

    Raises
    ------
    UnreadableFile
        If the picture cannot be read whole.
    """
    pixels = _developed(file, half_size=True, gamma=(2.4, 12.92), output_bps=8)
    return np.ascontiguousarray(pixels, dtype=np.uint8)


def _developed(file: Path, mending: Mending | None = None, **how: Any) -> NDArray[Any]:
    """A raw file's picture as LibRaw develops it, as stored; brightness and balance the camera's own."""
    rawpy = _rawpy()
    usual = {"no_auto_bright": True, "use_camera_wb": True, "adjust_maximum_thr": 0.0, "user_flip": 0}
    with open_raw(file) as raw:
        try:
            _check_tail(file, raw)
            if mending is not None and (pattern := pattern_array(raw)) is not None:
                mending.mend(raw.raw_image_visible, pattern)
            square = raw.raw_pattern is None or raw.raw_pattern.shape == _SQUARE_PATTERN
            # larger filter arrays come out otherwise on every run where LibRaw uses several threads (found)
            with nullcontext() if square else threadpool_limits(1, user_api="openmp"):
                return np.asarray(raw.postprocess(**(usual | how)))
        except rawpy.LibRawError as error:
            raise _unreadable(file, error) from error


def raw_preview_stream(file: Path) -> bytes | NDArray[np.uint8] | None:
    """The largest picture a raw file carries of itself, as LibRaw finds it.

    A JPEG stream, or pixels of shape (h, w, 3); None where there is none, or none that is understood.
    """
    rawpy = _rawpy()
    try:
        with open_raw(file) as raw:
            found = raw.extract_thumb()
    except (UnreadableFile, rawpy.LibRawError, rawpy.NotSupportedError):
        return None
    if found.format == rawpy.ThumbFormat.JPEG:
        return bytes(found.data)
    if found.format == rawpy.ThumbFormat.BITMAP and found.data.ndim == 3 and found.data.shape[2] == 3:
        return np.array(found.data, dtype=np.uint8)
    return None


@cache
def srgb_codes_of_light() -> NDArray[np.uint16]:
    """The 16-bit code by sRGB's curve (IEC 61966-2-1) of each 16-bit linear value; (65536,), uint16."""
    g, a, b, c, d = SRGB_CURVE
    light = np.arange(65536) / 65535.0
    codes = np.where(light >= c * d, (light ** (1.0 / g) - b) / a, light / c)
    return np.rint(np.clip(codes, 0.0, 1.0) * 65535.0).astype(np.uint16)


@cache
def _rawpy() -> Any:
    """rawpy, imported when the first raw file is met: it takes a quarter of a second."""
    import rawpy

    return rawpy


def open_raw(file: Path) -> Any:
    """An open RawPy, its header read."""
    rawpy = _rawpy()
    raw = rawpy.RawPy()
    try:
        raw.open_file(str(file))
    except rawpy.LibRawError as error:
        raw.close()
        raise _unreadable(file, error) from error
    return raw


def _unreadable(file: Path, error: Exception) -> UnreadableFile:
    rawpy = _rawpy()
    if isinstance(error, rawpy.LibRawFileUnsupportedError):
        return UnreadableFile(file, _UNKNOWN)
    if isinstance(error, rawpy.LibRawTooBigError):
        return UnreadableFile(file, "is larger than raw files are read; develop it to a 16-bit TIFF first")
    if isinstance(error, rawpy.LibRawUnsufficientMemoryError):
        raise MemoryError(str(file)) from error
    return UnreadableFile(file, _CUT_SHORT)


def _developed_size(sizes: Any) -> tuple[int, int]:
    """(width, height) of the developed picture, px: the visible part, its pixels made square."""
    width, height, aspect = int(sizes.iwidth), int(sizes.iheight), float(sizes.pixel_aspect)
    if aspect < 1.0 - _SQUARE:
        height = int(height / aspect + 0.5)
    elif aspect > 1.0 + _SQUARE:
        width = int(width * aspect + 0.5)
    return width, height


def _tags(file: Path, raw: Any) -> dict[int, Any]:
    """Exif tags: the file's own where it is built like TIFF, else as LibRaw found them."""
    tags = raw_tags(file) if is_tiff_like(file) else {}
    if exif.EXPOSURE_TIME in tags:
        return tags
    rawpy = _rawpy()
    try:
        thumb = raw.extract_thumb()
        if thumb.format == rawpy.ThumbFormat.JPEG:
            with JpegImagePlugin.JpegImageFile(io.BytesIO(thumb.data)) as image:
                found = exif.tags_of_block(image.info.get("exif", b""))
            if exif.TIME_ORIGINAL not in found and _DATE_TIME in found:
                found[exif.TIME_ORIGINAL] = found[_DATE_TIME]  # LibRaw writes the moment of exposure there
            return found | tags
    except Exception:  # no preview, or none that is understood: it is outside data
        pass
    try:
        return _as_tags(raw.other, raw.lens) | tags  # reads the whole picture, so comes last
    except (rawpy.LibRawError, ValueError, OverflowError):
        return tags


def _as_tags(other: Any, lens: Any) -> dict[int, Any]:
    """LibRaw's own account of the settings as Exif tags; 0 and 1970 stand for unknown."""
    tags = {
        exif.EXPOSURE_TIME: other.shutter_speed,
        exif.F_NUMBER: other.aperture,
        exif.SENSITIVITY: other.iso_speed,
        exif.FOCAL_LENGTH: other.focal_length,
        exif.LENS_MODEL: lens.model,
    }
    if other.timestamp.year > 1970:
        tags[exif.TIME_ORIGINAL] = f"{other.timestamp:%Y:%m:%d %H:%M:%S}"
    return tags


def _check_tail(file: Path, raw: Any) -> None:
    """Refuse a picture whose last rows were never there: all zeros, below a black level above 0.

    Some cameras' decoders fill what is missing with zeros and say nothing. Light on a sensor, and a cap
    before it, never gives rows of equal values.
    """
    rawpy = _rawpy()
    values = raw.raw_image
    if raw.raw_type != rawpy.RawType.Flat or min(raw.black_level_per_channel) <= 0:
        return
    rows = max(8, int(_TAIL_SHARE * values.shape[0]))
    if values.shape[0] > 2 * rows and not values[-rows - 8 : -8].any():
        raise UnreadableFile(file, f"its picture {_CUT_SHORT}")
