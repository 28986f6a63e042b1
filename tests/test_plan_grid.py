"""Plans: all the view is seen, neighbours share what was asked, clicks are whole, every stop comes once."""

from __future__ import annotations

import math
import time
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from belvedere.errors import PlanError
from belvedere.geometry.frame_overlap import overlap_area
from belvedere.optics.sensor import Sensor
from belvedere.plan.columns import widest_step
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.plan_grid import frame_window, plan_grid
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.view import View, view_of_angles
from belvedere.plan.window import overlap_in_row
from tests.plan_sets import (
    camera_of,
    overlaps_in_rows,
    overlaps_of_rows,
    share_of_rays,
    uncovered,
)

FULL_FRAME = Sensor(36.0, 24.0, 6000, 4000)
SPHERE = View(-math.pi, math.pi, -math.pi / 2, math.pi / 2)
COUNTED = 0.015  # what 40 x 40 rays tell a share of a frame to
SENSORS = (
    FULL_FRAME,
    Sensor(23.5, 15.6, 6000, 3983),
    Sensor(17.3, 13.0, 5184, 3888),
    Sensor(43.8, 32.9, 11648, 8736),
    Sensor(24.0, 24.0, 4000, 4000),
)
CLICKS = (None, 0.5, 1.0, 2.5, 3.75, 5.0, 7.0, 7.5, 10.0, 15.0)


def _deg(angle: float) -> float:
    return math.radians(angle)


def _hold(plan: ShootPlan) -> None:
    """What every plan must keep."""
    assert uncovered(plan, 40, 30) == []
    assert min(overlaps_in_rows(plan), default=1.0) >= plan.overlap_wanted - 1e-7
    assert min(overlaps_of_rows(plan, 40, 5), default=1.0) >= plan.overlap_wanted - COUNTED
    numbers = [s.number for s in plan.stops()]
    assert numbers == list(range(1, plan.frames + 1))
    for r, row in enumerate(plan.rows):
        assert [(s.row, s.column) for s in row.stops] == [(r, c) for c in range(len(row.stops))]
        assert all(a.yaw < b.yaw for a, b in pairwise(row.stops))
        if row.closing_step is not None:
            round_ = (len(row.stops) - 1) * row.step + row.closing_step
            assert round_ == pytest.approx(2 * math.pi, abs=1e-9 * len(row.stops))
            assert row.closing_step <= row.step + 1e-9
        if row.overlap is not None:
            assert 0.0 <= (row.overlap_least or 0.0) <= 1.0
    assert all(a.pitch > b.pitch for a, b in pairwise(plan.rows))


@st.composite
def _asked(draw: st.DrawFn) -> tuple[View, Sensor, float, str, float]:
    sensor = draw(st.sampled_from(SENSORS))
    focal = math.exp(draw(st.floats(math.log(8.0), math.log(800.0))))
    one = 2.0 * math.atan(sensor.width_mm / 2.0 / focal)
    # up to a full sphere where that takes hundreds of frames, else a few frames across
    wide = min(2 * math.pi, one * draw(st.floats(0.05, 6.0)))
    tall = min(math.pi, one * draw(st.floats(0.05, 4.0)))
    if one > 0.6:
        wide = draw(st.sampled_from([wide, 2 * math.pi]))
        tall = draw(st.sampled_from([tall, math.pi]))
    low = draw(st.sampled_from([-math.pi / 2, math.pi / 2 - tall, -tall / 2]))
    low = draw(st.one_of(st.just(low), st.floats(-math.pi / 2, math.pi / 2 - tall)))
    left = draw(st.floats(-4.0, 2.0))
    overlap = draw(st.one_of(st.sampled_from([0.0, 0.25, 1.0 / 3.0, 0.5]), st.floats(0.0, 0.8)))
    view = View(left, left + wide, low, min(low + tall, math.pi / 2))
    return view, sensor, focal, draw(st.sampled_from(["portrait", "landscape"])), overlap


@settings(deadline=None, max_examples=35)
@given(_asked())
def test_every_view_is_covered_with_the_overlap_asked(asked: tuple[View, Sensor, float, str, float]) -> None:
    view, sensor, focal, orientation, overlap = asked
    _hold(plan_grid(view, sensor, focal, GridAsked(orientation=orientation, overlap=overlap)))  # type: ignore[arg-type]


@settings(deadline=None, max_examples=25)
@given(
    _asked(),
    st.sampled_from(CLICKS),
    st.sampled_from(CLICKS),
    st.sampled_from(["serpentine", "rows"]),
    st.sampled_from(["top", "bottom"]),
    st.booleans(),
)
def test_clicks_are_whole_and_keep_all_that(
    asked: tuple[View, Sensor, float, str, float],
    yaw_click: float | None,
    pitch_click: float | None,
    order: str,
    begin: str,
    extra: bool,
) -> None:
    view, sensor, focal, orientation, overlap = asked
    head = Head(*(None if c is None else _deg(c) for c in (yaw_click, pitch_click)))
    try:
        plan = plan_grid(
            view,
            sensor,
            focal,
            GridAsked(orientation, overlap, head, order, begin, extra),  # type: ignore[arg-type]
        )
    except PlanError as error:
        assert "too wide" in str(error)  # noqa: PT017 - a head too coarse is one of two right answers
        return
    _hold(plan)
    first = plan.stops()[0]
    for stop in plan.stops():
        for clicks, click, turned in (
            (stop.yaw_clicks, head.yaw_click, stop.yaw - first.yaw),
            (stop.pitch_clicks, head.pitch_click, stop.pitch - first.pitch),
        ):
            assert (clicks is None) == (click is None)
            if clicks is not None and click is not None:
                assert clicks * click == pytest.approx(turned, abs=1e-9)


def test_the_share_of_two_frames_is_what_align_counts() -> None:
    """Same pair of frames: the polygon and 400 x 400 rays, at several pitches and steps."""
    for focal, pitch, step in (
        (24.0, 0.0, 30.0),
        (24.0, 50.0, 40.0),
        (100.0, 80.0, 30.0),
        (14.0, 85.0, 90.0),
    ):
        view = View(0.0, 0.01, _deg(pitch) - 0.005, _deg(pitch) + 0.005)
        plan = plan_grid(view, FULL_FRAME, focal)
        stop = plan.rows[0].stops[0]
        a = camera_of(plan, stop)
        turned = type(stop)(2, 0, 1, stop.yaw + _deg(step), stop.pitch)
        b = camera_of(plan, turned)
        window = frame_window(FULL_FRAME, focal, "portrait")
        exact = overlap_in_row(window, stop.pitch, _deg(step))
        assert exact == pytest.approx(share_of_rays(a, b, 400), abs=0.004)
        shape = (window.across, window.up)
        assert exact == pytest.approx(
            overlap_area(shape, shape, (b.rotation @ a.rotation.T).tolist()), abs=1e-12
        )


def test_shares_by_hand() -> None:
    half = (0.01, 0.02)  # narrow: a plane
    same = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    behind = ((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, -1.0))
    assert overlap_area(half, half, same) == 1.0
    assert overlap_area(half, half, behind) == 0.0
    on_side = ((0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    assert overlap_area(half, half, on_side) == pytest.approx(0.5)
    assert overlap_area(half, (0.005, 0.02), same) == pytest.approx(0.5)
    c, s = math.cos(0.01), math.sin(0.01)  # half a frame to the right
    assert overlap_area(half, half, ((c, 0.0, -s), (0.0, 1.0, 0.0), (s, 0.0, c))) == pytest.approx(
        0.5, abs=1e-3
    )


def test_the_step_is_the_largest() -> None:
    for focal in (14.0, 24.0, 50.0, 200.0):
        window = frame_window(FULL_FRAME, focal, "portrait")
        for pitch in (0.0, 0.5, 1.0, 1.3):
            step = widest_step(window, pitch, 1.0 / 3.0)
            assert overlap_in_row(window, pitch, step) >= 1.0 / 3.0
            assert step == math.pi or overlap_in_row(window, pitch, step * 1.0001) < 1.0 / 3.0


@pytest.mark.parametrize(
    ("focal", "frames", "wide"),
    # upright rows of 5, 7, 11 and 17 frames on 36 x 24 mm at a third overlap: common practice, no published
    # source. The fields are computed, from the first frame's left edge to the last one's right edge.
    [(24.0, 5, 195.5), (50.0, 7, 135.0), (70.0, 11, 149.2), (150.0, 17, 106.7)],
)
def test_what_rows_of_common_practice_cover(focal: float, frames: int, wide: float) -> None:
    window = frame_window(FULL_FRAME, focal, "portrait")
    step = widest_step(window, 0.0, 1.0 / 3.0)
    field = (frames - 1) * step + 2.0 * window.half_wide
    assert math.degrees(field) == pytest.approx(wide, abs=0.1)
    # by hand: a step is two thirds of a frame's angle of view
    assert field == pytest.approx(2.0 * math.atan(12.0 / focal) * ((frames - 1) * 2.0 / 3.0 + 1.0), rel=0.005)
    for short, count in ((_deg(0.1), frames), (_deg(-0.3), frames + 1)):  # so wide, and no wider
        plan = plan_grid(view_of_angles(field - short, _deg(1.0)), FULL_FRAME, focal)
        assert [len(row.stops) for row in plan.rows] == [count]


def test_a_sphere_has_fewer_columns_away_from_the_level_and_a_frame_at_either_pole() -> None:
    plan = plan_grid(SPHERE, FULL_FRAME, 50.0)
    _hold(plan)
    counts = [len(row.stops) for row in plan.rows]
    assert counts == counts[::-1]
    middle = len(counts) // 2
    assert counts[:middle] == sorted(counts[:middle])
    assert counts[0] == 1
    assert plan.rows[0].pitch == pytest.approx(math.pi / 2)
    steps = [(a.stops[1].yaw - a.stops[0].yaw) for a in plan.rows[1:-1]]
    closing = [row.closing_step for row in plan.rows[1:-1]]
    assert steps == pytest.approx(closing)  # a full turn closes with equal steps


def test_a_full_turn_with_clicks() -> None:
    turn = View(-math.pi, math.pi, -0.1, 0.1)
    # 50 mm upright may step 18.0 degrees. Clicks of 5: 15 degrees each, 24 frames, closed with equal steps.
    equal = plan_grid(turn, FULL_FRAME, 50.0, GridAsked(head=Head(_deg(5.0)))).rows[0]
    assert len(equal.stops) == 24
    assert equal.closing_step == pytest.approx(equal.step) == pytest.approx(_deg(15.0))
    # Clicks of 7 do not divide the turn: 14 degrees each, 26 frames, the last step 10
    uneven = plan_grid(turn, FULL_FRAME, 50.0, GridAsked(head=Head(_deg(7.0)))).rows[0]
    assert len(uneven.stops) == 26
    assert math.degrees(uneven.step) == pytest.approx(14.0)
    assert math.degrees(uneven.closing_step or 0.0) == pytest.approx(10.0)


def test_orders_of_shooting() -> None:
    view = view_of_angles(_deg(60), _deg(60))
    grid = {
        (order, begin): [
            [s.number for s in row.stops]
            for row in plan_grid(
                view, FULL_FRAME, 50.0, GridAsked(order=order, begin=begin, overlap=0.25)
            ).rows  # type: ignore[arg-type]
        ]
        for order in ("serpentine", "rows")
        for begin in ("top", "bottom")
    }
    down = grid["rows", "top"]
    assert [n for row in down for n in row] == list(range(1, sum(map(len, down)) + 1))
    assert grid["serpentine", "top"][0] == down[0]
    assert grid["serpentine", "top"][1] == down[1][::-1]
    assert grid["rows", "bottom"][-1][0] == 1
    assert grid["rows", "bottom"][0][-1] == sum(map(len, down))
    assert grid["serpentine", "bottom"][-2] == grid["rows", "bottom"][-2][::-1]


def test_an_extra_column_and_row_stand_around_the_same_middle() -> None:
    view = view_of_angles(_deg(90), _deg(40))
    plain = plan_grid(view, FULL_FRAME, 50.0)
    more = plan_grid(view, FULL_FRAME, 50.0, GridAsked(extra_column_and_row=True))
    _hold(more)
    assert len(more.rows) == len(plain.rows) + 1
    assert max(len(r.stops) for r in more.rows) == max(len(r.stops) for r in plain.rows) + 1
    for row in more.rows:
        assert row.stops[0].yaw + row.stops[-1].yaw == pytest.approx(0.0, abs=1e-9)
    assert more.rows[0].pitch + more.rows[-1].pitch == pytest.approx(0.0, abs=1e-9)
    margin = _deg(8.0)
    wider = View(
        view.yaw_left - margin, view.yaw_right + margin, view.pitch_low - margin, view.pitch_high + margin
    )
    assert uncovered(ShootPlan(**{f: getattr(more, f) for f in more.__slots__} | {"view": wider})) == []


def test_one_frame_is_enough_for_a_small_view_whatever_the_head() -> None:
    view = view_of_angles(_deg(20), _deg(20))
    plan = plan_grid(view, FULL_FRAME, 50.0, GridAsked(head=Head(_deg(30.0), _deg(30.0))))
    assert plan.frames == 1
    row = plan.rows[0]
    assert (row.step, row.overlap, row.overlap_below, row.closing_step) == (0.0, None, None, None)


def test_the_picture_is_not_frames_times_megapixels() -> None:
    plan = plan_grid(view_of_angles(_deg(200), _deg(60)), FULL_FRAME, 50.0)
    assert plan.projection == "cylindrical"
    assert plan.megapixels == pytest.approx(plan.width_px * plan.height_px / 1e6)
    assert plan.megapixels < 0.6 * plan.frames * 24.0
    assert plan.pixels_per_degree == pytest.approx(145.44, abs=0.01)  # 50 mm / 6 micrometres, per degree


def test_ten_thousand_frames_in_a_second() -> None:
    plan_grid(view_of_angles(1.0, 1.0), FULL_FRAME, 50.0)
    began = time.process_time()
    plan = plan_grid(SPHERE, FULL_FRAME, 550.0)
    taken = time.process_time() - began
    assert plan.frames > 10_000
    assert taken < 1.0


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"overlap": -0.1}, "the least is 0, a third is usual"),
        ({"overlap": 0.9}, "the most that can be planned is just under 90%"),
        ({"overlap": math.nan}, "a third is usual"),
        ({"focal_mm": -50.0}, "not -50 mm"),
        ({"focal_mm": 0.0}, "not 0 mm"),
        ({"focal_mm": 1e6}, "the longest lens that keeps under 2,000,000 frames is about"),
        ({"orientation": "diagonal"}, "there are portrait and landscape"),
        ({"order": "spiral"}, "there are serpentine and rows"),
        ({"head": (45.0, None)}, "about 18"),
        ({"head": (None, 60.0)}, "or a head that stops anywhere"),
    ],
)
def test_what_cannot_be_planned_says_what_can(asked: dict[str, object], words: str) -> None:
    given = dict(asked)
    focal_mm = given.pop("focal_mm", 50.0)
    if "head" in given:
        given["head"] = Head(*(None if c is None else _deg(c) for c in given["head"]))  # type: ignore[attr-defined]
    with pytest.raises(PlanError, match=words):
        plan_grid(SPHERE, FULL_FRAME, focal_mm, GridAsked(**given))  # type: ignore[arg-type]


def test_a_click_is_above_nought() -> None:
    for click in (0.0, -1.0, 4.0, math.nan):
        with pytest.raises(PlanError, match="more than 0 and at most 180"):
            Head(click)
