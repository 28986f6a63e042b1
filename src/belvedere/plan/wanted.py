"""From what is wanted to a view and a lens: the field of another lens, a print, or both."""

from __future__ import annotations

import math
from bisect import bisect
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from belvedere.errors import PlanError
from belvedere.geometry.plate import Projection
from belvedere.geometry.projection_choice import FLAT_DEG, PANNINI_DEG, RECTILINEAR_DEG
from belvedere.optics.angle_of_view import angle_of_view
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH, PRINT_PPI, PrintSize, pixels_for
from belvedere.optics.sensor import Sensor
from belvedere.plan.number_words import Units, print_words
from belvedere.plan.picture_size import extent_of, projection_of
from belvedere.plan.shoot_plan import Orientation
from belvedere.plan.view import FULL_TURN, View, view_of_angles

# Focal lengths that lenses are made in, mm; common practice, no published source.
USUAL_FOCAL_MM = (
    *(8.0, 10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 24.0, 28.0, 35.0, 40.0, 50.0, 60.0, 70.0, 85.0, 100.0),
    *(135.0, 150.0, 180.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0),
)


_FLATTER: tuple[Projection, ...] = ("rectilinear", "pannini", "cylindrical")


@dataclass(frozen=True, slots=True)
class FocalWanted:
    """A focal length that gives a print, and the usual ones beside it (mm; None beyond the ends of the list).

    A shorter one gives fewer pixels than the print needs, a longer one more.
    """

    focal_mm: float
    shorter_mm: float | None
    longer_mm: float | None


def view_as_with(
    sensor: Sensor,
    focal_mm: float,
    *,
    orientation: Orientation = "landscape",
    pitch: float = 0.0,
    bearing: float | None = None,
) -> View:
    """The view as one frame of a lens shows it on this sensor, the camera held so.

    Lying, its width is the lens's angle of view on the sensor's long side.

    Parameters
    ----------
    sensor : Sensor
    focal_mm : float
        > 0, mm.
    orientation : "portrait" or "landscape"
    pitch : float
        Of the view's middle, rad.
    bearing : float or None
        Compass bearing of its middle, rad.

    Raises
    ------
    PlanError
        If the focal length is not above 0, or the view would reach beyond a pole.
    """
    need_positive("the focal length", focal_mm, "mm")
    size = sensor.upright() if orientation == "portrait" else sensor.landscape()
    wide, tall = angle_of_view(size[0], focal_mm), angle_of_view(size[1], focal_mm)
    return view_of_angles(wide, tall, pitch=pitch, bearing=bearing)


def focal_of_angle(angle: float, extent_mm: float) -> float:
    """Focal length, mm, of a rectilinear lens that sees `extent_mm` of the sensor under an angle (rad).

    Raises
    ------
    PlanError
        If the angle is not above 0 and below 180 degrees, or the extent not above 0.
    """
    need_positive("the sensor's side", extent_mm, "mm")
    if not angle > 0.0:
        raise PlanError(f"a lens cannot see {math.degrees(angle):g} degrees", "give more than 0")
    if not angle < math.pi:
        raise PlanError(
            f"a lens that keeps straight lines straight cannot see {math.degrees(angle):g} degrees",
            "its angle of view stays below 180; the widest lenses made see about 130 along the long side "
            f"({focal_of_angle(math.radians(130.0), extent_mm):.0f} mm on this sensor)",
        )
    return extent_mm / 2.0 / math.tan(angle / 2.0)


def view_of_print(
    width_mm: float,
    height_mm: float,
    sensor: Sensor,
    focal_mm: float,
    *,
    ppi: float = PRINT_PPI,
    pitch: float = 0.0,
    bearing: float | None = None,
    units: Units = "metric",
) -> View:
    """The view that fills a print with a lens's own resolution, in the projection that suits that view.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the print, mm, > 0.
    sensor : Sensor
    focal_mm : float
        > 0, mm.
    ppi : float
        Pixels per inch of the print, > 0.
    pitch : float
        Of the view's middle, rad.
    bearing : float or None
        Compass bearing of its middle, rad.
    units : "metric" or "imperial"
        In which an error tells sizes.

    Raises
    ------
    PlanError
        If a number is not above 0, or the print is larger than the whole sphere; says how large it could be,
        and which lens would do.
    """
    across, down = _pixels(width_mm, ppi), _pixels(height_mm, ppi)
    s = sensor.focal_px(focal_mm)
    widest, tallest = FULL_TURN * s, math.pi * s
    too_wide, too_tall = across >= widest + 1.0, down >= tallest + 1.0  # whole pixels: up to one is rounding
    size = (across / s if too_wide else min(across / s, FULL_TURN), down / s)
    for projection in _FLATTER:  # their plates may be taller than the sphere is
        view = _view_of(projection, size, pitch, bearing)
        if view is not None and projection_of(view) == projection:
            return view
    if too_wide or too_tall:
        longer = focal_mm * max(across / widest, down / tallest)
        mm = MM_PER_INCH / ppi
        asked = print_words(PrintSize(width_mm, height_mm, ppi), units)
        largest = print_words(PrintSize(widest * mm, tallest * mm, ppi), units, at_most=True)
        raise PlanError(
            f"a print of {asked} at {ppi:g} pixels per inch shows more than there is all round with a lens "
            f"of {focal_mm:g} mm",
            f"the largest is {largest}; a lens of {math.ceil(longer):g} mm would fill it",
        )
    return _about(size[0], size[1], pitch, bearing)


def focal_for_print(
    view: View, width_mm: float, height_mm: float, sensor: Sensor, *, ppi: float = PRINT_PPI
) -> FocalWanted:
    """The focal length at which a view fills a print in both directions.

    Parameters
    ----------
    view : View
    width_mm, height_mm : float
        Of the print, mm, > 0.
    sensor : Sensor
    ppi : float
        Pixels per inch of the print, > 0.

    Raises
    ------
    PlanError
        If a number is not above 0.
    """
    wide, tall = extent_of(view)
    s = max(_pixels(width_mm, ppi) / wide, _pixels(height_mm, ppi) / tall)
    focal_mm = s * sensor.pixel_pitch_mm
    at = bisect(USUAL_FOCAL_MM, focal_mm * (1.0 + 1e-9))
    exact = at > 0 and math.isclose(USUAL_FOCAL_MM[at - 1], focal_mm, rel_tol=1e-9)
    shorter = USUAL_FOCAL_MM[at - 1] if at > 0 else None
    longer = shorter if exact else (USUAL_FOCAL_MM[at] if at < len(USUAL_FOCAL_MM) else None)
    return FocalWanted(focal_mm, shorter, longer)


def _pixels(length_mm: float, ppi: float) -> int:
    need_positive("a side of the print", length_mm, "mm")
    need_positive("the print's resolution", ppi, "pixels per inch")
    return pixels_for(length_mm, ppi)


def _view_of(
    projection: Projection, size: tuple[float, float], pitch: float, bearing: float | None
) -> View | None:
    """The view whose plate has this size in this projection; None where the projection is not for so much.

    On these plates width hangs mostly on the view's width and height on its height: each is found in turn.
    """
    widest = {"rectilinear": RECTILINEAR_DEG, "pannini": PANNINI_DEG}.get(projection, 360.0)
    tallest = math.radians(RECTILINEAR_DEG if projection == "rectilinear" else 2.0 * FLAT_DEG)
    tallest = min(tallest, math.pi - 2.0 * abs(pitch))
    wide, tall = 0.0, min(0.1, tallest)
    for _ in range(12):
        before = wide, tall
        wide = _inverse(partial(_extent, projection, 0, pitch, tall), size[0], math.radians(widest))
        if math.isnan(wide):
            return None
        tall = _inverse(partial(_extent, projection, 1, pitch, wide), size[1], tallest)
        if math.isnan(tall):
            return None
        if abs(wide - before[0]) + abs(tall - before[1]) < 1e-7:
            break
    return _about(wide, tall, pitch, bearing)


def _extent(projection: Projection, side: int, pitch: float, other: float, angle: float) -> float:
    """Width (side 0) or height (1) of the plate of a view, `angle` wide or high and `other` the other way."""
    wide, tall = (angle, other) if side == 0 else (other, angle)
    return extent_of(_about(wide, tall, pitch, None), projection)[side]


def _inverse(rising: Callable[[float], float], wanted: float, most: float) -> float:
    """Where a rising function is `wanted`, from 0 to `most`; NaN where it does not get there."""
    if most <= 0.0 or rising(most) < wanted:
        return math.nan
    low, high = 0.0, most
    while high - low > 1e-9 * most:
        middle = (low + high) / 2.0
        low, high = (middle, high) if rising(middle) < wanted else (low, middle)
    return high


def _about(wide: float, tall: float, pitch: float, bearing: float | None) -> View:
    return view_of_angles(min(wide, FULL_TURN), min(tall, math.pi), pitch=pitch, bearing=bearing)
