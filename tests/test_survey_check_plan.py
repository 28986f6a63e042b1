"""A set held against its plan: which stops are missing, where they are on the head, and what is as good."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import pytest

from belvedere.plan.match import match_plan
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.survey.checking.check_ends import examine_ends
from belvedere.survey.checking.check_overlap import examine_overlap
from belvedere.survey.checking.check_plan import against_plan
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.head_grid import head_grid
from checked_sets import of_kind
from planned_sets import plan_of, shot_by

ROW = plan_of(110.0, -15.0, 15.0)
GRID = plan_of(90.0, -40.0, 35.0)
TURN = plan_of(360.0, -15.0, 15.0)


def found_in(checked: Checked, plan: ShootPlan) -> tuple[Finding, ...]:
    return against_plan(checked, (*examine_overlap(checked), *examine_ends(checked)), plan)


@pytest.mark.parametrize("plan", [ROW, GRID, TURN, plan_of(70.0, -30.0, 70.0), plan_of(30.0, -10.0, 10.0)])
@pytest.mark.parametrize("turned_deg", [0.0, -133.0])
def test_a_set_shot_as_planned_has_a_frame_at_every_stop(plan: ShootPlan, turned_deg: float) -> None:
    for seed in range(3):
        checked = shot_by(plan, turned_deg=turned_deg, seed=seed)
        match = match_plan(plan, head_grid(checked.alignment).looks)
        assert [match.frames_at[s.number] for s in plan.stops()] == [(i,) for i in range(plan.frames)]
        findings = found_in(checked, plan)
        assert [f.words for f in findings if f.grave == "reshoot"] == []
        (note,) = of_kind(findings, "plan")
        assert note.words == f"{plan.frames} of the plan's {plan.frames} stops are shot"


@pytest.mark.parametrize("plan", [ROW, GRID])
def test_a_stop_not_shot_is_named_with_its_click(plan: ShootPlan) -> None:
    for stop in plan.stops():
        checked = shot_by(plan, omit=(stop.number,), seed=stop.number)
        (found,) = of_kind(found_in(checked, plan), "missing")
        first = plan.stops()[0]
        if stop.number == 1 or (len(plan.rows) == 1 and stop.number == plan.frames):
            assert found.numbers["stop"] in (1.0, float(plan.frames))  # a row fits at either end
            continue
        assert found.grave == "reshoot"
        assert found.numbers["stop"] == stop.number
        assert f"stop {stop.number} of the plan" in found.words
        assert f"click {stop.yaw_clicks}" in found.words
        turn = math.degrees(stop.yaw - first.yaw)
        assert (f"{abs(turn):.1f} degrees" in found.words) or "where stop 1 is" in found.words


def test_of_a_row_short_of_a_frame_it_is_the_last_that_was_forgotten() -> None:
    (found,) = of_kind(found_in(shot_by(ROW, omit=(ROW.frames,)), ROW), "missing")
    assert found.numbers["stop"] == ROW.frames


def test_the_head_turns_freely_where_it_has_no_clicks() -> None:
    plan = plan_of(110.0, -15.0, 15.0, clicks=False)
    (found,) = of_kind(found_in(shot_by(plan, omit=(4,)), plan), "missing")
    stop = plan.stops()[3]
    assert (
        f"on the head {math.degrees(stop.yaw - plan.stops()[0].yaw):.1f} degrees right of stop 1"
        in found.words
    )
    assert "click" not in found.words


def test_a_row_not_shot_is_said_once() -> None:
    lowest = plan_rows(GRID)[-1]
    (found,) = of_kind(found_in(shot_by(GRID, omit=lowest), GRID), "missing")
    assert f"row {len(GRID.rows)} of the plan is not shot (stops {lowest[0]} to {lowest[-1]})" in found.words
    assert found.numbers["count"] == len(lowest)


def plan_rows(plan: ShootPlan) -> list[list[int]]:
    return [sorted(s.number for s in row.stops) for row in plan.rows]


def test_frames_besides_are_fine() -> None:
    checked = shot_by(ROW, besides=((0.0, 2.0), (9.0, 0.0), (-80.0, 0.0), (20.0, 30.0)))
    findings = found_in(checked, ROW)
    assert [f.words for f in findings if f.grave == "reshoot"] == []
    assert "4 frames besides" in of_kind(findings, "plan")[0].words


def test_frames_that_stand_in_for_a_stop_are_as_good() -> None:
    """Half a step to either side of it instead."""
    stop = ROW.stops()[3]
    half = math.degrees(ROW.rows[0].step) / 2.0
    yaw = math.degrees(stop.yaw)
    checked = shot_by(ROW, omit=(4,), besides=((yaw - half, 0.0), (yaw + half, 0.0)))
    findings = found_in(checked, ROW)
    assert of_kind(findings, "missing") == []
    assert "stop 4 not, but other frames show that part" in of_kind(findings, "plan")[0].words


def test_rows_that_the_plan_has_shorter_are_not_ragged() -> None:
    plan = plan_of(70.0, -15.0, 75.0)
    assert len({len(row.stops) for row in plan.rows}) > 1
    assert of_kind(found_in(shot_by(plan), plan), "ends") == []


def test_a_turn_that_is_asked_for_is_told_on_the_head() -> None:
    """A step too wide: the frame that heals it, in degrees from stop 1 and in clicks."""
    plan = plan_of(110.0, -15.0, 15.0)
    stops = plan.stops()
    wide = math.radians(5.0)
    checked = shot_by(plan, moved={s.number: wide for s in stops[3:]})
    before = of_kind(examine_overlap(checked), "overlap")
    assert [f.frames for f in before] == [(2, 3)]
    (after,) = of_kind(against_plan(checked, before, plan), "overlap")
    turn = math.degrees((stops[2].yaw + stops[3].yaw + wide) / 2.0 - stops[0].yaw)
    assert after.numbers["head_deg"] == pytest.approx(turn, abs=0.5)
    assert f"on the head {after.numbers['head_deg']:.1f} degrees right of stop 1, click " in after.words


def test_a_better_step_is_told_in_clicks() -> None:
    plan = plan_of(110.0, -15.0, 15.0)
    checked = shot_by(plan_of(110.0, -15.0, 15.0, overlap=0.2))
    (row,) = [f for f in found_in(checked, plan) if "step_deg" in f.numbers]
    assert row.words.endswith("; on the head 7 clicks a step")


def test_another_lens_is_told_and_the_set_is_judged_as_it_is() -> None:
    findings = found_in(shot_by(ROW, focal_factor=0.8), ROW)
    (lens,) = of_kind(findings, "settings")
    assert lens.grave == "risk"
    assert "like one of about 40 mm" in lens.words
    assert [f.words for f in findings if f.grave == "reshoot"] == []
    assert of_kind(found_in(shot_by(ROW, focal_factor=1.005), ROW), "settings") == []


def test_a_plan_of_another_set_judges_nothing() -> None:
    findings = found_in(shot_by(plan_of(110.0, 40.0, 75.0)), ROW)
    (said,) = of_kind(findings, "plan")
    assert said.grave == "risk"
    assert "does not follow the plan" in said.words
    assert of_kind(findings, "missing") == []


def test_a_longer_lens_with_more_frames_than_planned_is_fine() -> None:
    findings = found_in(shot_by(plan_of(110.0, -15.0, 15.0, focal_mm=85.0)), ROW)
    assert [f.words for f in findings if f.grave == "reshoot"] == []
    assert "like one of about 85 mm" in of_kind(findings, "settings")[0].words


def test_large_plans_are_matched_in_a_moment() -> None:
    plan = plan_of(360.0, -60.0, 60.0, focal_mm=85.0)
    assert plan.frames > 200
    checked = shot_by(plan, omit=(100,))
    began = time.perf_counter()
    match = match_plan(plan, head_grid(checked.alignment).looks)
    assert time.perf_counter() - began < 10.0
    assert [s.number for s in match.open] == [100]


def test_frames_that_could_not_be_placed_count_as_shot() -> None:
    """The stop in front of a block that does not join is missing, not all that come after it."""
    checked = shot_by(ROW, omit=(4,))
    places = tuple(
        replace(p, camera=None, reason="belongs to another block") if i >= 3 else p
        for i, p in enumerate(checked.alignment.frames)
    )
    apart = replace(
        checked, alignment=replace(checked.alignment, frames=places, components=((0, 1, 2), (3, 4)))
    )
    findings = found_in(apart, ROW)
    (found,) = of_kind(findings, "missing")
    assert (found.numbers["stop"], found.numbers["count"]) == (4.0, 1.0)
    assert "5 of the plan's 6 stops are shot, 2 of them in frames" in of_kind(findings, "plan")[0].words
