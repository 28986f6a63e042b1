"""Frames without tie points placed by the shoot plan: stops by the order shot, directions by its rows."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.align.planned_places import PlannedPlaces, planned_places, stops_by_order
from belvedere.demo.place import Place
from belvedere.demo.poses import plan_shots
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import vector_from_matrix
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.stops import Stop
from benchmarks.featureless import errors_px
from benchmarks.sets import Shot, shoot
from planned_sets import plan_of, shot_by

# Three rows from the level to 62 degrees up: the steps of the rows differ, as no even grid has them.
PLAN = plan_of(150.0, -8.0, 62.0, clicks=False)


def cameras(plan: ShootPlan, seed: int = 0, **changes: object) -> list[Camera]:
    found = shot_by(plan, seed=seed, **changes).alignment.frames  # type: ignore[arg-type]
    return [placed.camera for placed in found if placed.camera is not None]


def places_without(plan: ShootPlan, every: list[Camera], plain: list[int]) -> PlannedPlaces | None:
    tied = [i for i in range(len(every)) if i not in plain]
    return planned_places(plan, tied, [every[i] for i in tied], {i: i for i in range(len(every))})


def top(plan: ShootPlan) -> list[int]:
    """Frames of the plan's top row but its first and last, in the order shot."""
    inner = plan.rows[0].stops[1:-1]
    return sorted(s.number - 1 for s in inner)


def most_of_the_top(plan: ShootPlan) -> list[int]:
    """Frames of the plan's top row but its first two: out along a row, where the step of the row counts."""
    return sorted(s.number - 1 for s in plan.rows[0].stops[2:])


def test_the_rows_of_this_plan_have_steps_of_their_own() -> None:
    assert len({round(row.step, 4) for row in PLAN.rows}) == len(PLAN.rows) >= 3


def test_every_tied_frame_stands_at_its_stop() -> None:
    every = cameras(PLAN)
    places = places_without(PLAN, every, [])
    assert places is not None
    assert {i: s.number for i, s in places.stop_of.items()} == {i: i + 1 for i in range(PLAN.frames)}


def test_frames_between_tied_ones_have_the_stops_between() -> None:
    every, plain = cameras(PLAN), top(PLAN)
    places = places_without(PLAN, every, plain)
    assert places is not None
    number = {i: i for i in range(len(every))}
    found = stops_by_order(places, plain, number, len(every) - 1)
    assert {i: s.number for i, s in found.items()} == {i: i + 1 for i in plain}
    skipped = number | {i: i + 1 for i in range(plain[1], len(every))}  # one exposure more than the plan has
    again = planned_places(PLAN, sorted(places.stop_of), [every[i] for i in sorted(places.stop_of)], skipped)
    assert again is not None
    assert stops_by_order(again, plain, skipped, len(every)) == {}


def test_ends_are_told_only_where_the_whole_plan_was_shot() -> None:
    every = cameras(PLAN)
    plain = [0, 1]
    places = places_without(PLAN, every, plain)
    assert places is not None
    number = {i: i for i in range(len(every))}
    assert [s.number for s in stops_by_order(places, plain, number, len(every) - 1).values()] == [1, 2]
    assert stops_by_order(places, plain, number, len(every)) == {}


def test_a_set_that_does_not_fit_has_no_places() -> None:
    other = plan_of(150.0, -8.0, 62.0, clicks=False, focal_mm=85.0)
    assert places_without(PLAN, cameras(other), []) is None


@pytest.mark.parametrize("spoiled", [False, True])
def test_directions_come_out_within_what_they_say(spoiled: bool) -> None:
    """Truth: the cameras the set was made of; yaw and pitch scatter by 0.2 degrees, the head leans by 1.5."""
    ratios, errors = [], []
    for seed in range(12):
        every, plain = cameras(PLAN, seed), most_of_the_top(PLAN)
        places = places_without(PLAN, every, plain)
        assert places is not None
        tied = [i for i in range(len(every)) if i not in plain]
        cells = {s.number - 1: (s.row, s.column) for s in PLAN.stops()}
        wanted = [cells[i] for i in plain]
        if spoiled:  # the test must be able to fail: columns counted as if the rows' steps were all alike
            places = PlannedPlaces(_even(PLAN), places.grid, places.stop_of)
        found = places.predict(np.stack([every[i].rotation for i in tied]), [cells[i] for i in tied], wanted)
        for k, i in enumerate(plain):
            off = vector_from_matrix(every[i].rotation.T @ found.rotations[k])
            sigma = math.sqrt(float(np.trace(found.covariance[k, :, k])) / 3.0)
            errors.append(float(np.linalg.norm(off)) / math.sqrt(3.0))
            ratios.append(errors[-1] / sigma)
    rms = float(np.sqrt(np.mean(np.square(ratios))))
    if spoiled:
        assert np.median(np.degrees(errors)) > 1.0
    else:
        assert 0.5 < rms < 2.0
        assert np.max(ratios) < 4.0
        assert np.median(np.degrees(errors)) < 0.4


def _even(plan: ShootPlan) -> ShootPlan:
    step = plan.rows[-1].step
    rows = tuple(
        replace(r, stops=tuple(replace(s, yaw=r.stops[0].yaw + step * s.column) for s in r.stops))
        for r in plan.rows
    )
    return replace(plan, rows=rows)


def test_sky_at_the_end_of_a_single_row_is_placed_by_the_plan_alone() -> None:
    """Two frames of plain sky begin a row of seven: the order alone does not tell how long a row is."""
    sky = Place(clouds=0.0, sea_width_deg=0.0, skyline_deg=4.0)
    set_ = shoot("plain-top-row", rows=1, columns=7, tilt_deg=6.0, pitch_deg=20.0, place=sky, megapixels=0.15)
    without = estimate_alignment(set_.source, set_.frames, AlignOptions())
    assert [k for k, placed in enumerate(without.frames) if placed.camera is None] == [0, 1]
    row = plan_of(60.0, 5.0, 25.0, clicks=False).rows[0]
    step = step_of(set_)
    stops = tuple(Stop(c + 1, 0, c, step * (c - 3), math.radians(20.0), None, None) for c in range(7))
    plan = replace(plan_of(60.0, 5.0, 25.0, clicks=False), rows=(replace(row, step=step, stops=stops),))
    found = estimate_alignment(set_.source, set_.frames, AlignOptions(plan=plan))
    assert [placed.placed_by for placed in found.frames] == ["grid"] * 2 + ["tie-points"] * 5
    errors = errors_px(set_.truth, found)
    for k in (0, 1):
        sigma = found.frames[k].placement_sigma_px
        assert sigma is not None
        assert errors[k] < 4.0 * sigma
    short = replace(plan, rows=(replace(plan.rows[0], stops=stops[:6]),))  # a stop fewer than frames
    again = estimate_alignment(set_.source, set_.frames, AlignOptions(plan=short))
    assert [k for k, placed in enumerate(again.frames) if placed.camera is None] == [0, 1]


def step_of(set_: Shot) -> float:
    """Turn from frame to frame of a demo's row, rad, by its truth."""
    looks = [c.rotation.T[:, 2] for c in (s.camera for s in plan_shots(set_.spec))]
    turns = [math.acos(float(np.clip(a @ b, -1.0, 1.0))) for a, b in pairwise(looks)]
    return float(np.median(turns)) / math.cos(math.radians(20.0))
