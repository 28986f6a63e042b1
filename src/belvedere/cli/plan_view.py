"""Which view and which lens the plan is for: from the field, from the print, or from both."""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

from belvedere.cli.plan_quantities import DEGREES, DISTANCES_M, LENGTHS_MM, MILLIMETRES, number, pair
from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH, PRINT_PPI, PrintSize
from belvedere.optics.sensor import Sensor
from belvedere.optics.visual_acuity import ppi_needed
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.number_words import Units, degrees_words, focal_words, print_words
from belvedere.plan.one_row import one_row_band
from belvedere.plan.picture_size import extent_of
from belvedere.plan.view import FULL_TURN, View, view_between_bearings
from belvedere.plan.wanted import focal_for_print, focal_of_angle, view_as_with, view_of_print

USUAL_LENSES_MM = (24.0, 35.0, 50.0, 70.0, 100.0, 150.0)
"""Set side by side where no lens is named."""

NO_VIEW = (
    "what is the picture to show? Give --view 120x40 (degrees), --bearings 210 330, --as-with 24, or a "
    "--print with its --lens"
)


@dataclass(frozen=True, slots=True)
class ViewAsked:
    """The view, the lens that was named or found (None: none was), and what to say about it."""

    view: View
    focal_mm: float | None
    notes: tuple[str, ...] = ()


def print_ppi(given: argparse.Namespace) -> float:
    """Pixels per inch of the print: as given, or as the eye needs them from where it is looked at, or 300."""
    if given.ppi is not None:
        return need_positive("the print's resolution", number("--ppi", given.ppi, {"ppi": 1.0}, "300"))
    if given.print is not None and given.viewing_distance is not None:
        return ppi_needed(number("--viewing-distance", given.viewing_distance, DISTANCES_M, "1.5"))
    return PRINT_PPI


def lens_asked(text: str, sensor: Sensor, option: str = "--lens") -> float:
    """A focal length, mm, given as such or as the angle of view along the sensor's long side."""
    plain = text.strip().lower()
    if plain.endswith(("deg", "°")):
        return focal_of_angle(math.radians(number(option, text, DEGREES, "84deg")), sensor.width_mm)
    return need_positive("the focal length", number(option, text, MILLIMETRES, "50"), "mm")


def view_asked(
    given: argparse.Namespace, sensor: Sensor, focal_mm: float | None, grid: GridAsked, units: Units
) -> ViewAsked:
    """The view that a command line asks for, and the lens if the print tells it.

    Raises
    ------
    PlanError
        If something is missing, said twice, or cannot be; says what could.
    """
    size = None if given.print is None else _print_mm(given.print, units)
    ways = [
        f"--{w.replace('_', '-')}" for w in ("view", "bearings", "as_with") if getattr(given, w) is not None
    ]
    if len(ways) > 1:
        raise PlanError(f"{' and '.join(ways)} tell the view twice", "give one of them")
    if not ways:
        return _of_print(given, sensor, focal_mm, size, units)
    notes: tuple[str, ...] = ()
    if given.as_with is not None:
        if given.elevations is not None:
            raise PlanError("--as-with tells the height already", "leave --elevations away, or give --tilt")
        seen = lens_asked(given.as_with, sensor, "--as-with")
        view = view_as_with(sensor, seen, pitch=_tilt(given), bearing=_bearing(given))
    else:
        view, notes = _across(given, sensor, focal_mm, grid)
    if size is None:
        return ViewAsked(view, focal_mm, notes)
    if focal_mm is not None:
        return ViewAsked(view, focal_mm, (*notes, _fill_words(view, size, sensor, focal_mm, units)))
    return _lens_for(view, size, sensor, print_ppi(given), units)


def _across(
    given: argparse.Namespace, sensor: Sensor, focal_mm: float | None, grid: GridAsked
) -> tuple[View, tuple[str, ...]]:
    """A view by its width, or its bearings, and its height, or as high as one row."""
    tall = None
    if given.view is not None:
        one = not any(c in given.view.lower() for c in "x×*")
        if one:
            wide = math.radians(number("--view", given.view, DEGREES, "120x40"))
        else:
            wide, tall = map(math.radians, pair("--view", given.view, DEGREES, "120x40"))
        left, right, bearing = -wide / 2.0, wide / 2.0, _bearing(given)
    else:
        if given.bearing is not None:
            raise PlanError("--bearings tell the middle already", "leave --bearing away")
        edges = [math.radians(number("--bearings", b, DEGREES, "210 330")) for b in given.bearings]
        flat = view_between_bearings(edges[0], edges[1], -0.1, 0.1)
        left, right, bearing = flat.yaw_left, flat.yaw_right, flat.bearing_of_zero
    if given.elevations is not None:
        if tall is not None or given.tilt is not None:
            other = "--view tells the height" if tall is not None else "--tilt tells the middle"
            raise PlanError(f"{other} already", "give that or --elevations")
        low, high = (math.radians(number("--elevations", e, DEGREES, "-10 25")) for e in given.elevations)
        return View(left, right, low, high, bearing), ()
    tilt = _tilt(given)
    if tall is not None:
        if tall > math.pi + 1e-9:
            raise PlanError(
                f"a view cannot be {degrees_words(tall, 0)} degrees high",
                "the highest reaches from straight down to straight up, 180 degrees",
            )
        return View(left, right, tilt - tall / 2.0, tilt + tall / 2.0, bearing), ()
    if focal_mm is None:
        raise PlanError("the view's height is missing", "give it, like --view 120x40 or --elevations -10 25")
    low, high = one_row_band(
        sensor,
        focal_mm,
        orientation=grid.orientation,
        overlap=grid.overlap,
        head=grid.head,
        pitch=tilt,
    )
    said = (
        "No height was asked for: this is one row, as high as it covers with some overlap left, from "
        f"{degrees_words(low, signed=True)} to {degrees_words(high, signed=True)} degrees."
    )
    return View(left, right, low, high, bearing), (said,)


def _of_print(
    given: argparse.Namespace,
    sensor: Sensor,
    focal_mm: float | None,
    size: tuple[float, float] | None,
    units: Units,
) -> ViewAsked:
    if size is None:
        raise PlanError(NO_VIEW)
    if focal_mm is None:
        raise PlanError(
            "a print alone leaves open what it shows", "give --view 120x40 (degrees), or a --lens, too"
        )
    if given.elevations is not None:
        raise PlanError("the print tells the view's height", "leave --elevations away, or give --tilt")
    view = view_of_print(
        *size,
        sensor,
        focal_mm,
        ppi=print_ppi(given),
        pitch=_tilt(given),
        bearing=_bearing(given),
        units=units,
    )
    return ViewAsked(view, focal_mm, ("The view is the one that fills the print with this lens.",))


def _lens_for(view: View, size: tuple[float, float], sensor: Sensor, ppi: float, units: Units) -> ViewAsked:
    """The lens that fills a print with a view: the next longer usual one."""
    wanted = focal_for_print(view, *size, sensor, ppi=ppi)
    exact = focal_words(wanted.focal_mm)
    if wanted.longer_mm is None:
        longest = wanted.shorter_mm or wanted.focal_mm
        share = longest / wanted.focal_mm
        fits = PrintSize(size[0] * share, size[1] * share, ppi)
        raise PlanError(
            f"at {ppi:.0f} pixels per inch this print takes a lens of {exact}, longer than there usually are",
            f"with {focal_words(longest)} it can be {print_words(fits, units)}, or have "
            f"{ppi * share:.0f} pixels per inch. Have you a longer lens? Add --lens {wanted.focal_mm:.0f}",
        )
    if wanted.longer_mm == wanted.shorter_mm:
        return ViewAsked(view, wanted.longer_mm, (f"A lens of {exact} fills the print at {ppi:.0f} ppi.",))
    reached = ppi * wanted.longer_mm / wanted.focal_mm
    said = (
        f"To fill the print at {ppi:.0f} pixels per inch takes {exact}. Planned with the next longer lens, "
        f"{focal_words(wanted.longer_mm)}, which gives {reached:.0f}"
    )
    if wanted.shorter_mm is not None:
        below = ppi * wanted.shorter_mm / wanted.focal_mm
        said += f"; {focal_words(wanted.shorter_mm)} would give {below:.0f}"
    return ViewAsked(view, wanted.longer_mm, (f"{said}. {_shape_words(view, size)}".strip(),))


def _fill_words(view: View, size: tuple[float, float], sensor: Sensor, focal_mm: float, units: Units) -> str:
    """At how many pixels per inch a picture fills a print."""
    wide, tall = extent_of(view)
    s = sensor.focal_px(focal_mm)
    reached = min(wide * s / size[0], tall * s / size[1]) * MM_PER_INCH
    paper = print_words(PrintSize(*size, reached), units)
    return (
        f"It fills the print of {paper} at {reached:.0f} pixels per inch. {_shape_words(view, size)}".strip()
    )


def _shape_words(view: View, size: tuple[float, float]) -> str:
    """What is cut off where picture and print do not have one shape."""
    wide, tall = extent_of(view)
    ratio = (wide / tall) / (size[0] / size[1])
    if abs(math.log(ratio)) < 0.02:
        return ""
    cut = 1.0 - min(ratio, 1.0 / ratio)
    where = "left and right" if ratio > 1.0 else "above and below"
    return f"The picture has another shape than the print: {cut * 100.0:.0f} % of it is cut off {where}."


def _print_mm(text: str, units: Units) -> tuple[float, float]:
    unit, like = ("in", "60x20in") if units == "imperial" else ("cm", "150x50cm")
    width, height = pair("--print", text, LENGTHS_MM, like, unit)
    return need_positive("the print's width", width, "mm"), need_positive("the print's height", height, "mm")


def _tilt(given: argparse.Namespace) -> float:
    return 0.0 if given.tilt is None else math.radians(number("--tilt", given.tilt, DEGREES, "10"))


def _bearing(given: argparse.Namespace) -> float | None:
    if given.bearing is None:
        return None
    return math.radians(number("--bearing", given.bearing, DEGREES, "270")) % FULL_TURN
