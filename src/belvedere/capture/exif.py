"""What Exif says of an exposure, taken from its tags with nothing believed that cannot be true.

Tag numbers, types and senses: CIPA DC-008-2023 (Exif 3.0). Units of focal plane resolution beyond inch and
centimetre: ISO 12234-2 (TIFF/EP), tag 0x9210. Interoperability index "R03": CIPA DC-009 (DCF 2.0).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from PIL import Image

MAKE, MODEL, ORIENTATION = 0x010F, 0x0110, 0x0112
EXIF_IFD, INTEROPERABILITY_IFD = 0x8769, 0xA005
EXPOSURE_TIME, F_NUMBER, SHUTTER_SPEED_VALUE, APERTURE_VALUE = 0x829A, 0x829D, 0x9201, 0x9202
SENSITIVITY, STANDARD_OUTPUT_SENSITIVITY, RECOMMENDED_EXPOSURE_INDEX = 0x8827, 0x8831, 0x8832
TIME_ORIGINAL, TIME_DIGITIZED, SUBSEC_ORIGINAL, SUBSEC_DIGITIZED = 0x9003, 0x9004, 0x9291, 0x9292
ELEVATION_ANGLE = 0x9405
FOCAL_LENGTH, FOCAL_LENGTH_35MM = 0x920A, 0xA405
FOCAL_PLANE_X, FOCAL_PLANE_Y, FOCAL_PLANE_UNIT = 0xA20E, 0xA20F, 0xA210
COLOR_SPACE, PIXEL_X, PIXEL_Y = 0xA001, 0xA002, 0xA003
BODY_SERIAL, LENS_SPECIFICATION, LENS_MODEL = 0xA431, 0xA432, 0xA434
EXPOSURE_PROGRAM, EXPOSURE_BIAS, SUBJECT_DISTANCE = 0x8822, 0x9204, 0x9206
EXPOSURE_MODE, WHITE_BALANCE = 0xA402, 0xA403
INTEROPERABILITY_INDEX = 0x0001

_UNIT_MM = {1: 25.4, 2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
_SENSOR_WIDTH_MM = (2.5, 300.0)  # along the width; common practice, no published source


def tags_of_block(block: bytes) -> dict[int, Any]:
    """All Exif tags of an Exif block as JPEG APP1 and PNG eXIf carry it; empty where it cannot be read.

    Parameters
    ----------
    block : bytes
        A TIFF structure, with or without the leading "Exif" and two NULs.

    Returns
    -------
    dict
        Tag number to value: those of the first directory, the Exif directory, and the interoperability
        index under `INTEROPERABILITY_INDEX`. Damaged entries are left out.
    """
    exif = Image.Exif()
    try:
        exif.load(block)
    except (
        Exception
    ):  # the block is outside data: whatever the reader stumbles over, there is nothing to have
        return {}
    tags = _readable(exif)
    for directory in (EXIF_IFD, INTEROPERABILITY_IFD):
        try:
            entries = exif.get_ifd(directory)
        except Exception:  # as above
            continue
        tags.update(_readable(entries))
    return tags


def _readable(entries: Any) -> dict[int, Any]:
    """The entries of a directory that can be read."""
    found: dict[int, Any] = {}
    for tag in list(entries):
        try:
            found[int(tag)] = entries[tag]
        except Exception:  # one damaged entry does not spoil its neighbours
            continue
    return found


def number(value: Any, low: float, high: float) -> float | None:
    """A tag's value as a float where it is one within low <= value <= high; else None.

    Takes plain numbers, rationals of either reader (objects, or pairs of whole numbers) and the first of a
    list of such; a zero denominator, which Exif uses for "unknown", gives None.
    """
    if isinstance(value, tuple | list):
        if len(value) == 2 and all(isinstance(part, int) for part in value):
            value = value[0] / value[1] if value[1] else None
        else:
            value = value[0] if value else None
    if value is None or isinstance(value, str | bytes):
        return None
    try:
        result = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return result if math.isfinite(result) and low <= result <= high else None


def whole(value: Any, low: int, high: int) -> int | None:
    """A tag's value, or the first of several, as a whole number within low <= value <= high; else None."""
    if isinstance(value, tuple | list):
        value = value[0] if value else None
    result = number(value, low, high)
    return int(result) if result is not None and result == int(result) else None


def text(value: Any) -> str | None:
    """A tag's value as text: cut at the first NUL, blanks stripped; None where nothing is left."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    cleaned = " ".join("".join(c if c.isprintable() else " " for c in value.split("\0", 1)[0]).split())
    return cleaned or None


def moment(tags: Mapping[int, Any]) -> datetime | None:
    """When the exposure was made, with sub-seconds; the file's change date has no say."""
    for when, fraction in ((TIME_ORIGINAL, SUBSEC_ORIGINAL), (TIME_DIGITIZED, SUBSEC_DIGITIZED)):
        written = text(tags.get(when))
        if written is None:
            continue
        try:
            taken = datetime.strptime(written[:19], "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        digits = text(tags.get(fraction)) or ""
        if digits.isascii() and digits.isdigit():
            taken = taken.replace(microsecond=int(digits[:6].ljust(6, "0")))
        return taken
    return None


def settings(tags: Mapping[int, Any], stored_width: int, stored_height: int) -> dict[str, Any]:
    """The fields of `Metadata` that Exif may know, as keyword arguments; None where it does not.

    Parameters
    ----------
    tags : mapping
        Tag number to value.
    stored_width, stored_height : int
        The file's own size, px, before orientation.
    """
    color_space = whole(tags.get(COLOR_SPACE), 0, 65535)
    if color_space != 1 and (text(tags.get(INTEROPERABILITY_INDEX)) or "") == "R03":
        color_space = 2  # DCF optional colour space, tagged "uncalibrated" by the letter of Exif
    return {
        "orientation": whole(tags.get(ORIENTATION), 1, 8) or 1,
        "make": text(tags.get(MAKE)),
        "model": text(tags.get(MODEL)),
        "lens": text(tags.get(LENS_MODEL)) or _lens_by_specification(tags.get(LENS_SPECIFICATION)),
        "serial": text(tags.get(BODY_SERIAL)),
        "focal_mm": number(tags.get(FOCAL_LENGTH), 0.1, 10_000.0),
        "focal_35mm": _as_float(whole(tags.get(FOCAL_LENGTH_35MM), 1, 10_000)),
        "focal_plane_px_per_mm": _focal_plane_px_per_mm(tags, stored_width, stored_height),
        "exposure_s": _exposure_s(tags),
        "f_number": _f_number(tags),
        "iso": _iso(tags),
        "taken": moment(tags),
        "pitch_deg": number(tags.get(ELEVATION_ANGLE), -180.0, 180.0),
        "color_space": color_space,
        "white_balance_auto": {0: True, 1: False}.get(_told(tags.get(WHITE_BALANCE))),
        "exposure_auto": _exposure_auto(tags),
        "exposure_bias_ev": number(tags.get(EXPOSURE_BIAS), -20.0, 20.0),
        "subject_distance_m": _subject_distance_m(tags.get(SUBJECT_DISTANCE)),
    }


def _told(value: Any) -> int:
    """A tag's whole number, -1 where there is none."""
    found = whole(value, 0, 65535)
    return -1 if found is None else found


def _exposure_auto(tags: Mapping[int, Any]) -> bool | None:
    """Whether the camera chose the exposure: ExposureMode 0 auto, 1 manual.

    Where that tag is missing or says auto bracket (2), ExposureProgram tells: 1 manual, 2 to 8 programs in
    which the camera sets at least one of time and aperture.
    """
    mode = _told(tags.get(EXPOSURE_MODE))
    if mode in (0, 1):
        return mode == 0
    program = _told(tags.get(EXPOSURE_PROGRAM))
    return program != 1 if 1 <= program <= 8 else None


def _subject_distance_m(value: Any) -> float | None:
    """SubjectDistance, m: a numerator of 0xFFFFFFFF means infinity, 0 means unknown."""
    numerator = value[0] if isinstance(value, tuple | list) and value else getattr(value, "numerator", None)
    if numerator == 0xFFFFFFFF:
        return math.inf
    return number(value, 1e-4, 1e7)


def _exposure_s(tags: Mapping[int, Any]) -> float | None:
    """Exposure time in s, else from the APEX time value: t = 2^-Tv (Exif, annex C)."""
    exposure = number(tags.get(EXPOSURE_TIME), 1e-7, 1e6)
    if exposure is None:
        apex = number(tags.get(SHUTTER_SPEED_VALUE), -20.0, 23.0)
        exposure = 2.0**-apex if apex is not None else None
    return exposure


def _f_number(tags: Mapping[int, Any]) -> float | None:
    """f-number, else from the APEX aperture value: N = 2^(Av / 2) (Exif, annex C)."""
    aperture = number(tags.get(F_NUMBER), 0.3, 1000.0)
    if aperture is None:
        apex = number(tags.get(APERTURE_VALUE), 0.01, 20.0)
        aperture = 2.0 ** (apex / 2.0) if apex is not None else None
    return aperture


def _iso(tags: Mapping[int, Any]) -> float | None:
    """ISO; where its 16 bits are full (65535), the 32-bit tags tell (Exif, PhotographicSensitivity)."""
    iso = whole(tags.get(SENSITIVITY), 1, 65534)
    for tag in (RECOMMENDED_EXPOSURE_INDEX, STANDARD_OUTPUT_SENSITIVITY):
        iso = iso or whole(tags.get(tag), 1, 100_000_000)
    return _as_float(iso)


def _as_float(value: int | None) -> float | None:
    return None if value is None else float(value)


def _lens_by_specification(value: Any) -> str | None:
    """A lens named by its shortest and longest focal length and least f-numbers, as far as they are told."""
    if not isinstance(value, tuple | list):
        return None
    if len(value) == 8 and all(isinstance(part, int) for part in value):
        value = [value[i : i + 2] for i in range(0, 8, 2)]
    if len(value) != 4:
        return None
    short, long, wide_f, long_f = (number(part, 0.1, 10_000.0) for part in value)
    if short is None or long is None:
        return None
    name = f"{short:.4g} mm" if short == long else f"{short:.4g}-{long:.4g} mm"
    if wide_f is not None:
        name += f" f/{wide_f:.3g}" if long_f in (None, wide_f) else f" f/{wide_f:.3g}-{long_f:.3g}"
    return name


def _focal_plane_px_per_mm(tags: Mapping[int, Any], stored_width: int, stored_height: int) -> float | None:
    """Sensor resolution along the stored width in px/mm of this file's pixels.

    Where PixelXDimension and PixelYDimension give the size the camera wrote and the file is smaller, the
    resolution shrinks with it; where the file was turned since, the sensor's other axis is the one along
    the width. A value that would make the sensor narrower than 2.5 mm or wider than 300 mm is not believed.
    """
    along_x = number(tags.get(FOCAL_PLANE_X), 1e-9, 1e9)
    along_y = number(tags.get(FOCAL_PLANE_Y), 1e-9, 1e9)
    unit_tag = whole(tags.get(FOCAL_PLANE_UNIT), 0, 65535)
    unit_mm = _UNIT_MM.get(2 if unit_tag is None else unit_tag)
    if unit_mm is None or (along_x is None and along_y is None):
        return None
    along_x, along_y = along_x or along_y, along_y or along_x
    camera_width = whole(tags.get(PIXEL_X), 1, 1_000_000) or stored_width
    camera_height = whole(tags.get(PIXEL_Y), 1, 1_000_000) or stored_height
    turned = (camera_width - camera_height) * (stored_width - stored_height) < 0
    if turned:
        along_x, camera_width = along_y, camera_height
    assert along_x is not None
    px_per_mm = along_x / unit_mm * stored_width / camera_width
    low, high = _SENSOR_WIDTH_MM
    return px_per_mm if low <= stored_width / px_per_mm <= high else None
