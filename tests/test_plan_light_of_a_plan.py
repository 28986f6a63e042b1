"""The light gathered for a whole plan, and what a person reads of it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from belvedere.optics.sensor import Sensor
from belvedere.plan.cautions import SUN_AND_EYES, SUN_UNKNOWN
from belvedere.plan.day_words import day_words, moon_day_words
from belvedere.plan.light import PlanLight, light_of_plan
from belvedere.plan.place import Place, read_moment
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.sun_and_field import sun_over_sweep
from belvedere.plan.sun_words import sun_words
from belvedere.plan.sweep import plan_sweep
from belvedere.plan.view import View

PLACE = Place.from_degrees(47.0, 9.0, 1800.0, "CET")
VIEW = View(*(math.radians(a) for a in (-80.0, 80.0, -20.0, 30.0)), bearing_of_zero=math.radians(240.0))


def _plan(focal_mm: float = 70.0, view: View = VIEW) -> ShootPlan:
    return plan_grid(view, Sensor(36.0, 24.0, 6000, 4000), focal_mm)


def _light(plan: ShootPlan, when: str, seconds: float = 4.0) -> PlanLight:
    sweep = plan_sweep(plan.stops(), seconds_a_frame=seconds, seconds_to_turn=3.0)
    return light_of_plan(plan, sweep, PLACE, read_moment(when, PLACE))


def test_an_evening_into_the_sun() -> None:
    plan = _plan()
    light = _light(plan, "2026-10-09 17:40")
    assert light.end - light.start == timedelta(seconds=7 * plan.frames - 3)
    assert light.over is not None
    assert light.over.start.inside
    assert 1 <= len(light.over.held_by) <= 6
    assert light.cautions[0].endswith(SUN_AND_EYES)
    assert light.sky is not None
    assert light.sky.is_uneven
    # The stops that hold the sun look within half a frame's diagonal of it.
    for stop in plan.stops():
        if stop.number in light.over.held_by:
            assert abs(stop.yaw - light.over.start.yaw) < math.radians(16.0)


def test_frames_stand_as_the_camera_is_held() -> None:
    """Upright, 24 x 36 mm at 70 mm: half angles of atan(12 / 70) and atan(18 / 70)."""
    plan = _plan()
    light = _light(plan, "2026-10-09 09:00")
    sweep = plan_sweep(plan.stops(), seconds_a_frame=4.0, seconds_to_turn=3.0)
    expected = sun_over_sweep(plan.view, plan.stops(), (12 / 70, 18 / 70), PLACE, light.start, sweep)
    assert light.over is not None
    assert light.over.held_by == ()
    assert light.over.nearest_distance == pytest.approx(expected.nearest_distance, abs=1e-9)


def test_a_view_without_the_compass_still_has_its_times_and_its_warning() -> None:
    light = _light(_plan(view=replace(VIEW, bearing_of_zero=None)), "2026-10-09 17:40")
    assert light.over is None
    assert light.sky is None
    assert light.cautions[0].startswith(SUN_UNKNOWN)
    assert light.day.sun.evening is not None


def test_a_long_sweep_says_that_its_light_does_not_match() -> None:
    light = _light(_plan(200.0), "2026-06-09 10:00", seconds=20.0)
    assert light.over is not None
    assert "will not match" in " ".join(sun_words(light.over, PLACE))
    short = _light(_plan(), "2026-06-09 10:00")
    assert short.over is not None
    assert "will not match" not in " ".join(sun_words(short.over, PLACE))


def test_the_same_plan_gives_the_same_light() -> None:
    assert _light(_plan(), "2026-10-09 17:40") == _light(_plan(), "2026-10-09 17:40")


def test_a_sweep_over_the_end_of_summer_time_lasts_its_seconds() -> None:
    """2026-10-25: the clock goes back from 03:00 to 02:00."""
    plan = _plan()
    light = _light(plan, "2026-10-25 02:58")
    seconds = (light.end.astimezone(UTC) - light.start.astimezone(UTC)).total_seconds()
    assert seconds == 7 * plan.frames - 3
    assert light.end.hour == 2


def test_the_day_in_words() -> None:
    light = _light(_plan(), "2026-06-21 12:00")
    words = day_words(light.day, PLACE)
    assert len(words) == 3
    assert words[0].startswith("Astronomical dawn 02:3")
    assert words[1].startswith("Noon by the sun 13:2")
    assert "66 degrees high" in words[1]
    assert words[2].startswith("Low sun from 20:3")
    assert words[2].endswith("(the day after).")
    moon = moon_day_words(light.moon_day, PLACE)
    assert moon.index("Moonset") < moon.index("moonrise")  # in the order of the day
    assert moon.endswith("% of its disk lit.")
    north = Place.from_degrees(75.0, 20.0, 0.0, "CET")
    summer = light_of_plan(
        _plan(),
        plan_sweep(_plan().stops(), seconds_a_frame=4.0),
        north,
        datetime(2026, 6, 21, 10, tzinfo=UTC),
    )
    assert "Polar day: the sun stays higher than 6 degrees." in day_words(summer.day, north)
