"""`belvedere plan`: what is asked to a plan, the plan to words, a document and a page."""

from __future__ import annotations

import argparse
import math
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from belvedere.cli.plan_camera import CameraAsked, camera_asked
from belvedere.cli.plan_machine import machine_words
from belvedere.cli.plan_moment import MomentAsked, moment_asked
from belvedere.cli.plan_quantities import DEGREES, DISTANCES_M, LENGTHS_MM, SPEEDS_M_S, number, whole
from belvedere.cli.plan_view import USUAL_LENSES_MM, lens_asked, print_ppi, view_asked
from belvedere.cli.plan_written import check_replaceable, write_plan, write_sheet
from belvedere.errors import PlanError
from belvedere.plan.cautions import cautions
from belvedere.plan.compare import compare_lenses, compare_words
from belvedere.plan.day_words import day_words, moon_day_words
from belvedere.plan.field_sheet import field_sheet
from belvedere.plan.figures import figures_of
from belvedere.plan.grid_asked import USUAL_OVERLAP, GridAsked
from belvedere.plan.head import Head
from belvedere.plan.light import light_of_plan
from belvedere.plan.moon import moon_day
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.plan_words import plan_words
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.shooting import Shooting
from belvedere.plan.told_plan import ToldPlan
from belvedere.plan.twilight import day_of_light
from belvedere.plan.view import View

WIDTH = 80  # columns where the output is no terminal
_WIDEST = 100  # lines longer than this are hard to read


def plan_command(given: argparse.Namespace) -> int:
    """Plan a shoot and tell it; returns the exit code."""
    camera = camera_asked(given)
    grid = grid_asked(given)
    shooting, assumed = shooting_asked(given)
    focal = None if given.lens is None else lens_asked(given.lens, camera.sensor)
    if focal is None and camera.focal_mm is not None and given.compare is None and given.print is None:
        focal = camera.focal_mm
        assumed = (f"the lens of {Path(given.like).name}, {focal:.4g} mm", *assumed)
    moment = moment_asked(given)
    asked = view_asked(given, camera.sensor, focal, grid, given.units)
    said = (*camera.assumed, *assumed, *(() if moment is None else moment.assumed))
    lenses = _lenses(given, camera, asked.focal_mm)
    if lenses:
        if asked.focal_mm is None:
            _need_lens(given)
        _tell_lenses(given, asked.view, camera, lenses, shooting, grid, said)
    if asked.focal_mm is None:
        return 0
    check_replaceable(given.out, given.sheet, replace=given.replace)
    plan = plan_grid(
        asked.view,
        camera.sensor,
        asked.focal_mm,
        grid,
    )
    told = _told(plan, shooting, moment, given, camera, said)
    if given.out is not None:
        write_plan(Path(given.out), plan, _extras(given, camera, shooting, moment))
    if given.sheet is not None:
        write_sheet(Path(given.sheet), field_sheet(told, title=given.title, paper=given.paper))
    if not given.quiet:  # last: whoever reads only the first lines has the files all the same
        machine = machine_words(plan)
        columns = min(_WIDEST, shutil.get_terminal_size((WIDTH, 24)).columns)
        print(plan_words(told, notes=asked.notes, machine=machine, width=columns), flush=True)
        written = [f for f in (given.out, given.sheet) if f is not None]
        if written:
            print(f"\nWritten: {' and '.join(written)}", flush=True)
    return 0


def grid_asked(given: argparse.Namespace) -> GridAsked:
    """How the grid is to be laid."""
    overlap = USUAL_OVERLAP
    if given.overlap is not None:
        overlap = number("--overlap", given.overlap, {"%": 1.0}, "33") / 100.0
    clicks: list[float] = []
    if given.clicks is not None:
        if len(given.clicks) > 2:
            raise PlanError(
                "--clicks: a head turns and tilts", "give one or two numbers, like --clicks 15 7.5"
            )
        clicks = [math.radians(number("--clicks", c, DEGREES, "15 7.5")) for c in given.clicks]
    return GridAsked(
        orientation="landscape" if given.landscape else "portrait",
        overlap=overlap,
        head=Head(*clicks),
        order=given.order,
        begin=given.begin,
        extra_column_and_row=given.extra,
    )


def shooting_asked(given: argparse.Namespace) -> tuple[Shooting, tuple[str, ...]]:
    """How the frames are taken, and what of that was assumed."""
    usual = Shooting()
    assumed = []
    if given.f_number is None:
        assumed.append(f"f/{usual.f_number:g} (--f-number)")
    if given.seconds is None:
        assumed.append(f"{usual.seconds_a_frame:g} s a frame (--seconds)")

    def value(name: str, units: Mapping[str, float], like: str) -> float | None:
        text = getattr(given, name)
        return None if text is None else number(f"--{name.replace('_', '-')}", text, units, like)

    f_number = None if given.f_number is None else given.f_number.lower().removeprefix("f/")
    speed = value("cloud_speed", SPEEDS_M_S, "10 or 36km/h")
    chosen: dict[str, float | None] = {
        "f_number": None if f_number is None else number("--f-number", f_number, {}, "8"),
        "focus_m": value("focus", DISTANCES_M, "20"),
        "nearest_m": value("nearest", DISTANCES_M, "3"),
        "rail_error_mm": value("rail_error", LENGTHS_MM, "2"),
        "seconds_a_frame": value("seconds", {"s": 1.0, "min": 60.0}, "8"),
        "viewing_distance_m": value("viewing_distance", DISTANCES_M, "1.5"),
        "cloud_distance_m": value("cloud_distance", DISTANCES_M, "3000 or 3km"),
        "cloud_speed_m_s": speed,
    }
    exposures = 1 if given.exposures is None else whole("--exposures", given.exposures)
    named = {name: v for name, v in chosen.items() if v is not None}
    return replace(usual, exposures=exposures, ppi=print_ppi(given), **named), tuple(assumed)


def _lenses(given: argparse.Namespace, camera: CameraAsked, focal_mm: float | None) -> tuple[float, ...]:
    """Lenses to set side by side: those named, or the usual ones where none is."""
    if given.compare is not None:
        return tuple(lens_asked(lens, camera.sensor, "--compare") for lens in given.compare)
    return USUAL_LENSES_MM if focal_mm is None else ()


def _tell_lenses(
    given: argparse.Namespace,
    view: View,
    camera: CameraAsked,
    lenses: Sequence[float],
    shooting: Shooting,
    grid: GridAsked,
    assumed: Sequence[str],
) -> None:
    tried = compare_lenses(
        view,
        camera.sensor,
        lenses,
        shooting,
        grid,
    )
    if given.quiet:
        return
    columns = min(_WIDEST, shutil.get_terminal_size((WIDTH, 24)).columns)
    print(compare_words(tried, shooting, assumed=assumed, units=given.units, width=columns), flush=True)
    if given.compare is None:
        print("\nName a lens with --lens for its plan, or others with --compare.", flush=True)
    elif given.lens is not None:
        print(flush=True)


def _need_lens(given: argparse.Namespace) -> None:
    """Raise PlanError where a file is to be written and no lens is named."""
    wanted = [f"--{name}" for name in ("out", "sheet") if getattr(given, name) is not None]
    if wanted:
        raise PlanError(f"{' and '.join(wanted)}: one lens is needed", "name it with --lens")


def _told(
    plan: ShootPlan,
    shooting: Shooting,
    moment: MomentAsked | None,
    given: argparse.Namespace,
    camera: CameraAsked,
    assumed: Sequence[str],
) -> ToldPlan:
    """The plan with all that is said of it."""
    figures = figures_of(plan, shooting)
    if moment is None:
        return ToldPlan(
            plan,
            figures,
            shooting,
            camera.name,
            cautions(sun_near=None),
            None,
            (),
            tuple(assumed),
            given.units,
        )
    if moment.day_alone:
        day, moon = day_of_light(moment.place, moment.when), moon_day(moment.place, moment.when)
        words = (*day_words(day, moment.place), moon_day_words(moon, moment.place))
        said = cautions(sun_near=None, place=moment.place, day=day)
        return ToldPlan(plan, figures, shooting, camera.name, said, None, words, tuple(assumed), given.units)
    light = light_of_plan(plan, figures.sweep, moment.place, moment.when)
    return ToldPlan(
        plan, figures, shooting, camera.name, light.cautions, light, (), tuple(assumed), given.units
    )


def _extras(
    given: argparse.Namespace, camera: CameraAsked, shooting: Shooting, moment: MomentAsked | None
) -> dict[str, Any]:
    """What stands in the plan's document beside the grid."""
    extras: dict[str, Any] = {"camera": camera.name, "shooting": asdict(shooting)}
    if given.title is not None:
        extras["title"] = given.title
    if moment is not None:
        place = moment.place
        extras["place"] = {
            "latitude_deg": round(math.degrees(place.latitude), 9),
            "longitude_deg": round(math.degrees(place.longitude), 9),
            "elevation_m": place.elevation_m,
            "zone": place.zone,
        }
        extras["day" if moment.day_alone else "start"] = (
            f"{moment.when:%Y-%m-%d}" if moment.day_alone else moment.when.isoformat()
        )
    return extras
