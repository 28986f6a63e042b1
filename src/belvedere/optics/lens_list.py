"""What the lens list that lensfunpy brings says of a lens: where its distortion and fall-off may start from.

The list holds measurements by volunteers, at some focal lengths, stops and distances; lensfunpy puts values
between them and draws by the list's own formulas, which are then fitted by ours. Its radii count in halves of
the short side for distortion and in half diagonals for vignetting, both of the sensor the lens was measured
on (tried: a test holds it). Only equal names count, but for how they are written; a fisheye is left alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.optics.lens_fit import FallFit, RadialFit, fit_fall, fit_radial

_DISTANCE_M = 1000.0  # landscapes
_LONG_PX, _FALL_PX = 3000, 300  # of the frames the formulas are drawn on
_RADII = 60
_BEYOND = 1.15  # half diagonals up to which the ideal drawing is looked at, where the lens draws inwards
_FALL_STOPS = 0.7  # stops from a measured one beyond which fall-off is not taken over
_CROP_SLACK = 1.03  # crop factors are rounded


@dataclass(frozen=True, slots=True)
class Shown:
    """A kind of frame: what its tags say of body and lens.

    Parameters
    ----------
    make, model, lens : str or None
    focal_mm, f_number : float or None
    crop_factor : float or None
        Diagonal of 24 x 36 mm over the sensor's, as far as the tags tell; the list's for a camera it knows.
    width, height : int
        As stored, px.
    """

    make: str | None
    model: str | None
    lens: str | None
    focal_mm: float | None
    f_number: float | None
    crop_factor: float | None
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class LensStart:
    """Where a lens may start from.

    Parameters
    ----------
    name : str
        The lens as the list writes it.
    distortion : RadialFit or None
        None where the list has none.
    fall : FallFit or None
        None where the list has none near this focal length and stop.
    """

    name: str
    distortion: RadialFit | None
    fall: FallFit | None


def lens_start(shown: Shown, database: Any = None) -> LensStart | None:
    """Look a lens up.

    Parameters
    ----------
    shown : Shown
    database : lensfunpy.Database or None
        None: the list lensfunpy brings, with what the system's own folders add.

    Returns
    -------
    LensStart or None
        None where the list has no lens of this name for a sensor as large, or the tags do not tell focal
        length and sensor.
    """
    import lensfunpy

    if not shown.lens or not shown.focal_mm or shown.focal_mm <= 0.0:
        return None
    data = lensfunpy.Database() if database is None else database
    crop = _crop(shown, data)
    lens = None if crop is None else _lens(shown, crop, data)
    if crop is None or lens is None:
        return None
    flags = lensfunpy.ModifyFlags.DISTORTION | lensfunpy.ModifyFlags.VIGNETTING
    distortion = _distortion(lensfunpy, lens, crop, shown, flags)
    fall = _fall(lensfunpy, lens, crop, shown, flags)
    if distortion is None and fall is None:
        return None
    return LensStart(_full_name(lens), distortion, fall)


def _plain(name: str) -> str:
    """A name without case, blanks, and how it writes the f of an f-number: f/4 is F4."""
    return "".join(name.casefold().split()).replace("f/", "f")


def _full_name(lens: Any) -> str:
    repeats = _plain(lens.model).startswith(_plain((lens.maker or "").split(" ", 1)[0]))
    return str(lens.model) if repeats or not lens.maker else f"{lens.maker} {lens.model}"


def _crop(shown: Shown, data: Any) -> float | None:
    """The sensor's crop factor: of the camera of this very name, else by the tags."""
    if shown.model:
        wanted = {_plain(shown.model), _plain(f"{shown.make or ''}{shown.model}")}
        found = {
            float(c.crop_factor)
            for c in data.cameras
            if c.model and ({_plain(c.model), _plain(f"{c.maker or ''}{c.model}")} & wanted)
        }
        if len(found) == 1:
            return found.pop()
    return shown.crop_factor


def _lens(shown: Shown, crop: float, data: Any) -> Any | None:
    """The lens of this very name, measured on the sensor nearest in size that is no smaller."""
    assert shown.lens is not None
    assert shown.focal_mm is not None
    wanted = {_plain(shown.lens), _plain(f"{(shown.make or '').split(' ', 1)[0]}{shown.lens}")}
    found = []
    for lens in data.lenses:
        if not lens.model or int(lens.type.value) != 1:  # rectilinear
            continue
        if not {_plain(lens.model), _plain(f"{lens.maker or ''}{lens.model}")} & wanted:
            continue
        if lens.crop_factor > crop * _CROP_SLACK or not _has_focal(lens, shown.focal_mm):
            continue
        found.append(lens)
    return max(found, key=lambda lens: float(lens.crop_factor), default=None)


def _has_focal(lens: Any, focal_mm: float) -> bool:
    """Whether a focal length is one of the lens's, but for how tags round."""
    least, most = lens.min_focal or 0.0, lens.max_focal or math.inf
    return bool(0.97 * least <= focal_mm <= 1.03 * max(most, least))


def _size(shown: Shown, long_px: int) -> tuple[int, int]:
    scale = long_px / max(shown.width, shown.height)
    return max(2, round(shown.width * scale)), max(2, round(shown.height * scale))


def _modifier(lensfunpy: Any, lens: Any, crop: float, size: tuple[int, int], shown: Shown, flags: Any) -> Any:
    modifier = lensfunpy.Modifier(lens, max(crop, float(lens.crop_factor)), *size)
    modifier.initialize(
        shown.focal_mm,
        shown.f_number or 8.0,
        _DISTANCE_M,
        scale=1.0,
        pixel_format=np.float32,
        flags=int(flags),
    )
    return modifier


def _distortion(lensfunpy: Any, lens: Any, crop: float, shown: Shown, flags: Any) -> RadialFit | None:
    """The list's distortion, drawn along the row through the middle and fitted."""
    if not lens.calib_distortion:
        return None
    width, height = _size(shown, _LONG_PX)
    modifier = _modifier(lensfunpy, lens, crop, (width, height), shown, flags)
    centre = np.array([(width - 1) / 2.0, (height - 1) / 2.0])
    half = math.hypot(width - 1, height - 1) / 2.0
    ideal, drawn = np.empty(_RADII), np.empty(_RADII)
    for n in range(_RADII):
        r = (n + 1) / _RADII * _BEYOND * half
        found = modifier.apply_geometry_distortion(float(centre[0] + r), float(centre[1]), 1, 1)
        if found is None or not np.isfinite(found).all():
            return None
        ideal[n], drawn[n] = r / half, float(np.hypot(*(found[0, 0] - centre))) / half
    inside = drawn <= max(1.0, float(drawn[_RADII // 4]))
    inside |= ideal <= 0.5
    try:
        return fit_radial(ideal[inside], drawn[inside])
    except ValueError:
        return None  # turns back: nothing to start from


def _fall(lensfunpy: Any, lens: Any, crop: float, shown: Shown, flags: Any) -> FallFit | None:
    """The list's fall-off, drawn on a small grey frame and fitted."""
    if not shown.f_number or not _is_measured(lens, shown.focal_mm or 0.0, shown.f_number):
        return None
    width, height = _size(shown, _FALL_PX)
    modifier = _modifier(lensfunpy, lens, crop, (width, height), shown, flags)
    grey: NDArray[np.float32] = np.full((height, width, 3), 0.25, dtype=np.float32)
    if not modifier.apply_color_modification(grey):
        return None
    y, x = np.mgrid[:height, :width]
    radius = np.hypot(x - (width - 1) / 2.0, y - (height - 1) / 2.0) / (
        math.hypot(width - 1, height - 1) / 2.0
    )
    light = 0.25 / np.maximum(grey[..., 1].astype(np.float64), 1e-6)
    try:
        return fit_fall(radius.ravel(), light.ravel())
    except ValueError:
        return None


def _is_measured(lens: Any, focal_mm: float, f_number: float) -> bool:
    """Whether fall-off was measured near a stop, at focal lengths about this one."""
    for calibration in lens.calib_vignetting:
        if calibration.aperture <= 0.0 or calibration.focal <= 0.0:
            continue
        near = abs(2.0 * math.log2(calibration.aperture / f_number)) <= _FALL_STOPS
        if near and abs(math.log(calibration.focal / focal_mm)) < 0.5:
            return True
    return False
