"""The sun against the view, its edges and each stop's frame; the cautions that follow."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from belvedere.errors import PlanError
from belvedere.geometry.rotation import matrix_from_vector
from belvedere.plan.cautions import EDGES, LOCAL_RULES, SUN_AND_EYES, TIDES, WEATHER, cautions
from belvedere.plan.falling_light import falling_light_words, twilight_stops
from belvedere.plan.field_edges import distance_to_frames, distance_to_view_edge
from belvedere.plan.place import Place
from belvedere.plan.stops import Stop
from belvedere.plan.sun import SunAt, sun_at, sun_track
from belvedere.plan.sun_and_field import is_sun_near, stop_numbers, sun_in_view, sun_over_sweep
from belvedere.plan.sun_words import sun_words, where_words
from belvedere.plan.sweep import plan_sweep
from belvedere.plan.twilight import day_of_light
from belvedere.plan.view import View

PLACE = Place.from_degrees(47.0, 9.0, 500.0, "Etc/GMT-1")
NOON = datetime(2026, 6, 10, 11, 24, tzinfo=UTC)
HALF = (0.25, 0.375)  # an upright frame of 28 x 41 degrees


def _deg(*angles: float) -> tuple[float, ...]:
    return tuple(math.radians(a) for a in angles)


def _directions(yaw: np.ndarray, pitch: np.ndarray) -> np.ndarray:
    return np.stack([np.cos(pitch) * np.sin(yaw), -np.sin(pitch), np.cos(pitch) * np.cos(yaw)], axis=-1)


def _brute_force(view: View, yaw: float, pitch: float) -> float:
    """Distance to the nearest of many points of the outline: never below the exact one, and close to it."""
    yaws = np.linspace(view.yaw_left, view.yaw_right, 4001)
    pitches = np.linspace(view.pitch_low, view.pitch_high, 4001)
    outline = []
    for level in (view.pitch_low, view.pitch_high):
        if abs(level) < math.pi / 2 - 1e-9:
            outline.append(_directions(yaws, np.full_like(yaws, level)))
    if not view.full_turn:
        for side in (view.yaw_left, view.yaw_right):
            outline.append(_directions(np.full_like(pitches, side), pitches))
    here = _directions(np.array(yaw), np.array(pitch))
    chord = np.min(np.linalg.norm(np.concatenate(outline) - here, axis=1))
    return float(2 * np.arcsin(chord / 2))


def test_distances_to_the_views_edges_against_many_points_of_its_outline() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        left, low = rng.uniform(-4.0, 4.0), rng.uniform(-1.5, 1.2)
        wide = 2 * math.pi if rng.random() < 0.2 else rng.uniform(0.1, 6.0)
        view = View(left, left + wide, low, rng.uniform(low + 0.05, math.pi / 2))
        yaw, pitch = rng.uniform(-math.pi, math.pi), rng.uniform(-1.5, 1.5)
        inside, distance, edge = distance_to_view_edge(yaw, pitch, view)
        assert distance == pytest.approx(_brute_force(view, yaw, pitch), abs=2e-3)
        assert edge in ("left", "right", "upper", "lower")
        turned = (yaw - left) % (2 * math.pi)
        assert inside == (turned <= wide and view.pitch_low <= pitch <= view.pitch_high)


def test_a_full_sphere_has_no_edge_and_a_full_turn_no_sides() -> None:
    sphere = View(-math.pi, math.pi, -math.pi / 2, math.pi / 2)
    assert distance_to_view_edge(3.0, -1.0, sphere) == (True, math.inf, None)
    turn = View(0.5, 0.5 + 2 * math.pi, -0.3, 0.4)
    assert distance_to_view_edge(0.5, 0.3, turn) == (True, pytest.approx(0.1), "upper")


def test_distances_to_frames_against_the_frame_drawn_by_rotation() -> None:
    """Frames turned by yaw and pitch as rotations; points of their outline and random directions."""
    rng = np.random.default_rng(6)
    n = 40
    yaws, pitches = rng.uniform(-3.0, 3.0, n), rng.uniform(-1.4, 1.4, n)
    t = np.linspace(-1.0, 1.0, 2001)
    a, b = HALF
    edge = np.concatenate(
        [np.stack([a * t, s * b + 0 * t, 1 + 0 * t], -1) for s in (-1, 1)]
        + [np.stack([s * a + 0 * t, b * t, 1 + 0 * t], -1) for s in (-1, 1)]
    )
    edge /= np.linalg.norm(edge, axis=1, keepdims=True)
    directions = _directions(
        yaws + rng.normal(0, 0.5, n), np.clip(pitches + rng.normal(0, 0.5, n), -1.5, 1.5)
    )
    found = distance_to_frames(directions, yaws, pitches, HALF)
    for i in range(n):
        # Camera to world: yaw about the axis that points down, after pitch about the axis to the right.
        turn = matrix_from_vector([0.0, yaws[i], 0.0]) @ matrix_from_vector([pitches[i], 0.0, 0.0])
        assert turn @ [0, 0, 1] == pytest.approx(_directions(yaws[i], pitches[i]))
        local = turn.T @ directions[i]
        sees = local[2] > 0 and abs(local[0]) <= a * local[2] and abs(local[1]) <= b * local[2]
        chord = np.min(np.linalg.norm(edge @ turn.T - directions[i], axis=1))
        assert found[i] == pytest.approx(0.0 if sees else 2 * math.asin(chord / 2), abs=2e-3)
    assert 3 < np.count_nonzero(found == 0.0) < n - 3


def test_yaw_is_the_bearing_less_that_of_yaw_zero() -> None:
    sun = SunAt(NOON, math.radians(10.0), math.radians(20.0), math.radians(20.0))
    view = View(*_deg(-30, 30, -10, 40), bearing_of_zero=math.radians(350.0))
    seen = sun_in_view(view, sun)
    assert math.degrees(seen.yaw) == pytest.approx(20.0)
    assert seen.inside
    assert seen.edge == "right"
    # Ten degrees of longitude at 20 degrees of elevation: sin(d) = sin(10) cos(20).
    assert seen.edge_distance == pytest.approx(
        math.asin(math.sin(math.radians(10)) * math.cos(math.radians(20)))
    )
    with pytest.raises(PlanError, match="not tied to the compass; give the bearing"):
        sun_in_view(replace(view, bearing_of_zero=None), sun)


def _row(view_middle_pitch: float = 0.0) -> list[Stop]:
    return [Stop(i + 1, 0, i, math.radians(-60.0 + 20.0 * i), view_middle_pitch) for i in range(7)]


def test_the_stop_that_looks_at_the_sun_holds_it_at_its_own_time() -> None:
    start = datetime(2026, 10, 10, 15, 30, tzinfo=UTC)
    stops = _row(math.radians(10.0))
    sweep = plan_sweep(stops, seconds_a_frame=600.0)  # slow, so that the sun moves 15 degrees over the sweep
    when = start + timedelta(seconds=sweep.starts_s[5] + 300.0)
    view = View(*_deg(-75, 75, -12, 30), bearing_of_zero=sun_at(PLACE, when).azimuth - math.radians(40.0))
    over = sun_over_sweep(view, stops, HALF, PLACE, start, sweep)
    assert 6 in over.held_by  # yaw 40
    assert over.nearest_distance == 0.0
    assert over.nearest_stop == over.held_by[0]
    assert set(over.held_by).isdisjoint(over.flare_at)
    assert over.near_while_there
    assert math.degrees(over.drift.azimuth_change) == pytest.approx(13.5, abs=1.5)
    words = " ".join(sun_words(over, PLACE))
    assert "At the start (16:30) the sun stands at" in words
    assert "inside the view's" in words
    assert "The sun is in the frame at stop" in words


def test_each_stop_is_held_against_the_sun_of_its_own_time() -> None:
    """The same distance from the sun computed for the middle of the one stop that can be nearest."""
    start = datetime(2026, 10, 10, 12, 0, tzinfo=UTC)
    stops = [Stop(i + 1, 0, i, yaw, 0.0) for i, yaw in enumerate(_deg(-20, -10, 0))]
    sweep = plan_sweep(stops, seconds_a_frame=1800.0)
    view = View(*_deg(-35, 15, -20, 20), bearing_of_zero=math.radians(150.0))
    over = sun_over_sweep(view, stops, HALF, PLACE, start, sweep)
    assert over.held_by == ()
    assert over.nearest_stop == 3
    sun = sun_at(PLACE, start + timedelta(seconds=2.5 * 1800.0))
    direction = _directions(np.array(sun.azimuth - math.radians(150.0)), np.array(sun.elevation))
    expected = distance_to_frames(direction[None, :], np.zeros(1), np.zeros(1), HALF)[0]
    assert over.nearest_distance == pytest.approx(expected, abs=1e-5)


def test_a_sun_behind_the_camera_and_a_sun_below_the_horizon_are_no_danger() -> None:
    stops = _row()
    sweep = plan_sweep(stops, seconds_a_frame=5.0)
    noon = sun_at(PLACE, NOON)
    behind = View(*_deg(-75, 75, -21, 21), bearing_of_zero=noon.azimuth + math.pi)
    over = sun_over_sweep(behind, stops, HALF, PLACE, NOON, sweep)
    assert over.held_by == ()
    assert over.flare_at == ()
    assert over.nearest_stop is not None
    assert over.nearest_distance > 0.5
    assert not over.near_while_there
    assert "No frame has the sun in it" in " ".join(sun_words(over, PLACE))
    night = datetime(2026, 6, 10, 23, 0, tzinfo=UTC)
    midnight = sun_at(PLACE, night)
    view = View(*_deg(-75, 75, -21, 21), bearing_of_zero=midnight.azimuth)
    dark = sun_over_sweep(view, stops, HALF, PLACE, night, sweep)
    assert dark.held_by == ()
    assert dark.nearest_stop is None
    assert not dark.near_while_there
    assert "below the horizon" in " ".join(sun_words(dark, PLACE))


def test_a_sun_that_comes_near_within_half_an_hour_counts_as_near() -> None:
    day = day_of_light(PLACE, NOON)
    assert day.sun.morning is not None
    before = day.sun.morning - timedelta(minutes=20)
    rising = sun_at(PLACE, day.sun.morning)
    view = View(*_deg(-20, 20, -10, 15), bearing_of_zero=rising.azimuth)
    assert is_sun_near(view, PLACE, before, 60.0)
    assert not is_sun_near(view, PLACE, before - timedelta(minutes=30), 60.0)


def test_ten_thousand_stops_over_days_are_followed_too() -> None:
    stops = [
        Stop(i + 1, i // 100, i % 100, -3.0 + 0.06 * (i % 100), 0.3 - 0.01 * (i // 100)) for i in range(10000)
    ]
    sweep = plan_sweep(stops, seconds_a_frame=30.0)
    view = View(*_deg(-180, 180, -60, 40), bearing_of_zero=0.0)
    over = sun_over_sweep(view, stops, (0.03, 0.045), PLACE, NOON, sweep)
    assert over.near_while_there
    assert 0 <= len(over.held_by) < 1000


def test_stop_numbers_are_written_as_runs() -> None:
    assert stop_numbers([3]) == "3"
    assert stop_numbers([7, 3, 4, 5, 6, 12]) == "3 to 7 and 12"
    assert stop_numbers([1, 2, 9, 10, 11]) == "1, 2 and 9 to 11"
    assert stop_numbers([386, 387]) == "386 and 387"
    assert stop_numbers([]) == ""
    assert stop_numbers(range(1, 40, 2)) == "1 to 39 (20 of them)"


def test_where_the_sun_is_in_words() -> None:
    sun = SunAt(NOON, math.radians(359.7), math.radians(11.26), 0.19)
    assert where_words(sun) == "at 0 degrees (north), 11.3 degrees high"


def test_twilight_takes_seven_stops_from_sunset_to_the_end_of_civil_twilight() -> None:
    """RCA, Electro-Optics Handbook (1974): 400 and 3.4 lux (from memory), 6.9 stops apart."""
    day = day_of_light(PLACE, NOON)
    assert day.sun.evening is not None
    assert day.civil.evening is not None
    seconds = (day.civil.evening - day.sun.evening).total_seconds()
    dusk = sun_track(PLACE, day.sun.evening, seconds)
    assert twilight_stops(dusk) == pytest.approx(-6.88, abs=0.05)
    words = falling_light_words(dusk) or ""
    assert "6.9 stops darker" in words
    assert falling_light_words(sun_track(PLACE, NOON, 600.0)) is None
    night = falling_light_words(sun_track(Place.from_degrees(0.0, 0.0), NOON + timedelta(hours=12), 600.0))
    assert night is not None
    assert night.startswith("It is night")


def test_the_sun_comes_first_in_the_cautions_whenever_it_is_near_or_not_known() -> None:
    always = (EDGES, TIDES, WEATHER, LOCAL_RULES)
    assert cautions(sun_near=True)[0].endswith(SUN_AND_EYES)
    assert cautions(sun_near=None)[0].endswith(SUN_AND_EYES)
    assert not any(SUN_AND_EYES in line for line in cautions(sun_near=False))
    for near in (True, False, None):
        assert cautions(sun_near=near)[-4:] == always
    assert "optical finder or a long lens" in SUN_AND_EYES
    assert "solar filter" in SUN_AND_EYES
    assert "sensor and shutter" in SUN_AND_EYES


def test_the_way_back_is_dark_or_not_by_civil_twilight() -> None:
    day = day_of_light(PLACE, NOON)
    assert day.civil.evening is not None
    assert day.civil.morning is not None

    def said(end: datetime) -> str:
        return cautions(sun_near=False, place=PLACE, end=end, day=day)[0]

    assert said(NOON).startswith("It gets dark at 20:")
    assert "headlamp in case" in said(NOON)
    assert "soon after the sweep" in said(day.civil.evening - timedelta(minutes=30))
    assert "before the sweep ends" in said(day.civil.evening + timedelta(minutes=30))
    assert said(day.civil.morning - timedelta(hours=1)).startswith("It is dark until")
    north = Place.from_degrees(75.0, 20.0)
    for month, words in ((6, "It does not get dark on this day."), (12, "It is dark all day.")):
        when = datetime(2026, month, 21, 11, 0, tzinfo=UTC)
        light = day_of_light(north, when)
        assert cautions(sun_near=False, place=north, end=when, day=light)[0].startswith(words)
    assert cautions(sun_near=False)[0].startswith("Know when it gets dark")
