"""How long a sweep takes, what moves in the meantime, and the sky's polarisation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from belvedere.errors import PlanError
from belvedere.plan.motion import motion_between, motion_words
from belvedere.plan.sky_polarisation import degree_of_polarisation, polarisation_over_view, polariser_words
from belvedere.plan.stops import Stop
from belvedere.plan.sweep import duration_words, plan_sweep
from belvedere.plan.view import View


def _grid(rows: int, columns: int, *, serpentine: bool) -> list[Stop]:
    stops = []
    for r in range(rows):
        order = range(columns)
        for c in reversed(order) if serpentine and r % 2 else order:
            stops.append(Stop(len(stops) + 1, r, c, 0.2 * c, -0.2 * r))
    return stops


def test_one_row_by_hand() -> None:
    """5 frames of 4 s and 4 turns of 2 s: 28 s; the marker frame adds a turn and a frame."""
    sweep = plan_sweep(_grid(1, 5, serpentine=True), seconds_a_frame=4.0, seconds_to_turn=2.0)
    assert sweep.starts_s == (0.0, 6.0, 12.0, 18.0, 24.0)
    assert sweep.duration_s == 28.0
    assert sweep.neighbour_s == 6.0
    assert sweep.between_rows_s == 0.0
    marked = plan_sweep(
        _grid(1, 5, serpentine=True), seconds_a_frame=4.0, seconds_to_turn=2.0, markers="series"
    )
    assert marked.duration_s == 34.0
    bracket = plan_sweep(_grid(1, 5, serpentine=True), seconds_a_frame=4.0, seconds_to_turn=2.0, exposures=3)
    assert bracket.duration_s == 5 * 12.0 + 4 * 2.0


def test_rows_their_turns_and_markers_by_hand() -> None:
    """3 rows of 4 frames at 5 s, 1 s to turn, 10 s to the next row, a marker frame (5 + 1 s) after each."""
    sweep = plan_sweep(
        _grid(3, 4, serpentine=True),
        seconds_a_frame=5.0,
        seconds_to_turn=1.0,
        seconds_to_next_row=10.0,
        markers="rows",
    )
    assert sweep.starts_s[:5] == (0.0, 6.0, 12.0, 18.0, 18.0 + 5.0 + 10.0 + 6.0)
    assert sweep.duration_s == 12 * 5.0 + 9 * 1.0 + 2 * 10.0 + 3 * 6.0
    # To and fro, the frame below the first one is the last of the next row.
    assert sweep.between_rows_s == sweep.starts_s[7] - sweep.starts_s[0]
    same_way = plan_sweep(_grid(3, 4, serpentine=False), seconds_a_frame=5.0, seconds_to_turn=1.0)
    assert same_way.between_rows_s == 24.0  # always one row later


def test_rows_meet_across_the_wrap_of_a_full_turn() -> None:
    yaws = [math.radians(y) for y in (-170.0, -50.0, 70.0)]
    stops = [Stop(i + 1, 0, i, y, 0.0) for i, y in enumerate(yaws)]
    stops.append(Stop(4, 1, 0, math.radians(185.0), -0.5))  # just beside the first, across the wrap
    sweep = plan_sweep(stops, seconds_a_frame=10.0)
    assert sweep.between_rows_s >= 30.0


def test_a_sweep_that_cannot_be_is_refused_in_words() -> None:
    stops = _grid(1, 2, serpentine=True)
    with pytest.raises(PlanError, match="a frame takes more than 0 seconds, got 0"):
        plan_sweep(stops, seconds_a_frame=0.0)
    with pytest.raises(PlanError, match="a turn to the next stop takes 0 or more seconds, got -1"):
        plan_sweep(stops, seconds_a_frame=1.0, seconds_to_turn=-1.0)
    with pytest.raises(PlanError, match="seconds, got nan"):
        plan_sweep(stops, seconds_a_frame=math.nan)
    with pytest.raises(PlanError, match="at least one stop"):
        plan_sweep([], seconds_a_frame=1.0)
    with pytest.raises(PlanError, match="at least one exposure"):
        plan_sweep(stops, seconds_a_frame=1.0, exposures=0)


def test_durations_in_words() -> None:
    words = [duration_words(s) for s in (0.0, 45.4, 59.9, 60.0, 125.0, 599.9, 600.0, 3599.0, 3900.0, 90000.0)]
    assert words == [
        "0 s", "45 s", "1 min 00 s", "1 min 00 s", "2 min 05 s", "10 min", "10 min", "1 h 00 min",
        "1 h 05 min", "25 h 00 min",
    ]  # fmt: skip


def test_a_cloud_by_hand() -> None:
    """10 m/s at 5 km is 2 milliradians a second: with 10,000 px of focal length 20 px each second."""
    beside = motion_between(10.0, 5000.0, 4.0, focal_px=10000.0, overlap_px=1600.0)
    assert beside.rate == pytest.approx(0.002)
    assert beside.shift_px == pytest.approx(80.0)
    assert beside.share_of_overlap == pytest.approx(0.05)
    assert beside.angle == pytest.approx(0.008, rel=1e-4)
    rows = motion_between(10.0, 5000.0, 100.0, focal_px=10000.0, overlap_px=1600.0)
    assert motion_words("A cloud at 10 m/s, 5 km away", beside, rows) == (
        "A cloud at 10 m/s, 5 km away moves 80 px (5 % of the overlap, 4 s apart) between neighbouring "
        "frames and 2,000 px (125 % of the overlap, 100 s apart) between rows. "
        "That is more than the overlap: it can be in the picture twice, or not at all."
    )
    still = motion_between(0.0, 5000.0, 4.0, focal_px=10000.0, overlap_px=1600.0)
    assert "0 px (under 1 % of the overlap" in motion_words("A boat at anchor", still)
    fast = motion_between(100.0, 1000.0, 10.0, focal_px=10000.0, overlap_px=500.0)
    assert "10,000 px (20 times the overlap, 10 s apart)" in motion_words("A gull", fast)
    for bad in ((-1.0, 5.0, 1.0), (1.0, 0.0, 1.0), (1.0, 5.0, math.nan)):
        with pytest.raises(PlanError, match="must be"):
            motion_between(*bad, focal_px=100.0, overlap_px=100.0)


def test_the_sky_is_polarised_most_at_a_right_angle_to_the_sun() -> None:
    """Rayleigh: 0 towards and away from the sun, all of it at 90 degrees, a third at 45 degrees."""
    found = degree_of_polarisation(np.radians([0.0, 45.0, 90.0, 135.0, 180.0]))
    assert found == pytest.approx([0.0, 1 / 3, 1.0, 1 / 3, 0.0], abs=1e-12)


def test_a_polariser_over_wide_and_narrow_views() -> None:
    wide = View(math.radians(-60), math.radians(60), math.radians(-20), math.radians(30))
    sky = polarisation_over_view(wide, math.radians(100.0), math.radians(20.0))
    assert sky is not None
    assert sky.most == pytest.approx(1.0, abs=1e-3)
    assert np.degrees(sky.band_yaws) == pytest.approx([10.0])
    assert "dark band" in (polariser_words(sky) or "")
    narrow = View(math.radians(-10), math.radians(10), math.radians(-5), math.radians(10))
    even = polarisation_over_view(narrow, math.radians(92.0), math.radians(20.0))
    assert even is not None
    assert polariser_words(even) is None
    ground = View(math.radians(-10), math.radians(10), math.radians(-60), math.radians(-10))
    assert polarisation_over_view(ground, 0.0, 0.3) is None
    turn = View(-math.pi, math.pi, -0.3, 0.5)
    around = polarisation_over_view(turn, 3.0, 0.2)
    assert around is not None
    assert len(around.band_yaws) == 2
    assert around.least < 0.01  # near the sun itself
