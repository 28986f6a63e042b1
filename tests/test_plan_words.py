"""A plan told in words, drawn in the terminal, and lenses side by side."""

from __future__ import annotations

import math
import re

import pytest

from belvedere.errors import PlanError
from belvedere.optics.print_size import PrintSize
from belvedere.optics.sensor import Sensor
from belvedere.plan.cautions import cautions
from belvedere.plan.compare import compare_lenses, compare_words
from belvedere.plan.figures import figures_of, near_limit_of, rail_allowed_of
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.number_words import bytes_words, degrees_words, distance_words, print_words, share_words
from belvedere.plan.one_row import one_row_band
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.plan_words import plan_words
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.shooting import Shooting
from belvedere.plan.terminal_grid import terminal_grid
from belvedere.plan.told_plan import ToldPlan
from belvedere.plan.view import View, view_of_angles

SENSOR = Sensor(36.0, 24.0, 8208, 5472)


def planned(wide: float, tall: float, focal: float, **more: object) -> ShootPlan:
    return plan_grid(view_of_angles(math.radians(wide), math.radians(tall)), SENSOR, focal, GridAsked(**more))  # type: ignore[arg-type]


def told(plan: ShootPlan, shooting: Shooting | None = None, **more: object) -> ToldPlan:
    shooting = shooting or Shooting()
    said = cautions(sun_near=None)
    return ToldPlan(plan, figures_of(plan, shooting), shooting, "a camera", said, **more)  # type: ignore[arg-type]


def numbers(lines: tuple[str, ...]) -> list[int]:
    """Stop numbers of a drawn grid, without tilts and the scale."""
    drawn = [line[9:] for line in lines if not re.match(r"\s*(yaw|bearing|level)", line)]
    return [int(n) for line in drawn for n in re.findall(r"\d+", line)]


@pytest.mark.parametrize(
    ("wide", "tall", "focal"),
    [
        (20, 12, 24),
        (100, 40, 50),
        (360, 180, 24),
        (100, 40, 150),
        (360, 12, 120),
        (330, 6, 250),
        (5, 120, 200),
    ],
)
def test_up_to_a_hundred_stops_every_number_is_drawn_once(wide: float, tall: float, focal: float) -> None:
    plan = planned(wide, tall, focal)
    assert plan.frames <= 100
    lines = terminal_grid(plan)
    assert sorted(numbers(lines)) == list(range(1, plan.frames + 1))
    assert max(map(len, lines)) <= 80


def test_the_grid_stands_as_the_camera_sees_it() -> None:
    lines = terminal_grid(planned(100, 40, 50))
    assert lines[0].split() == ["+12.8", "1", "2", "3", "4", "5"]
    assert lines[1].split()[0] == "level"
    assert lines[2].split() == ["-12.8", "10", "9", "8", "7", "6"]
    middles = [[m.start() + len(m[0]) / 2 for m in re.finditer(r"\d+", lines[k][9:])] for k in (0, 2)]
    assert middles[0] == pytest.approx(middles[1], abs=0.6)


def test_many_stops_are_reduced_to_ends_that_fit() -> None:
    plan = planned(180, 90, 200)
    lines = terminal_grid(plan)
    assert plan.frames > 400
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 30
    shown = numbers(lines)
    assert 1 in shown
    assert plan.frames in shown


def test_the_answer_comes_first_and_lines_fit() -> None:
    plan = planned(100, 40, 50)
    text = plan_words(told(plan, Shooting(nearest_m=10.0, cloud_speed_m_s=10.0), assumed=("f/8",)))
    lines = text.splitlines()
    assert lines[0] == "10 frames with a lens of 50 mm, camera upright: 2 rows of 5."
    assert f"{plan.width_px:,} x {plan.height_px:,} pixels" in text.split("\n\n")[1]
    assert max(map(len, lines)) <= 80
    assert "Assumed: f/8." in text
    assert "  stops 6 to 10: tilt -12.8, turn 73.9  55.4  36.9  18.5  0.0" in lines


def test_megapixels_are_those_of_the_picture_not_of_the_frames() -> None:
    plan = planned(100, 40, 50)
    text = " ".join(plan_words(told(plan)).split())
    assert f"{plan.megapixels:.0f} megapixels of the {10 * SENSOR.megapixels:.0f} megapixels shot" in text
    assert plan.megapixels < 0.6 * plan.frames * SENSOR.megapixels


def test_clicks_are_told_with_the_turns() -> None:
    plan = planned(120, 60, 50, head=Head(math.radians(15), math.radians(7.5)))
    text = " ".join(plan_words(told(plan)).split())
    assert "tilt -22.5 (-6 clicks), turn 0.0 15.0 30.0" in text
    assert "15.0 degrees, 1 click of 15 degrees (rounded down" in text


def test_a_single_frame_has_no_overlap_to_tell() -> None:
    text = plan_words(told(planned(20, 12, 24)))
    assert text.startswith("1 frame with a lens of 24 mm, camera upright.\n")
    assert "share" not in text
    assert "parallax" not in text


def test_the_warning_stands_on_every_plan_that_does_not_know_the_sun() -> None:
    assert "Never look at the sun" in " ".join(plan_words(told(planned(100, 40, 50))).split())


def test_near_limit_and_rail_are_each_others_inverse() -> None:
    plan = planned(100, 60, 50)
    near = near_limit_of(plan, 5.0)
    assert near is not None
    assert rail_allowed_of(plan, near) == pytest.approx(5.0)
    assert near_limit_of(planned(20, 12, 24), 5.0) is None


def test_focused_close_frames_shrink_and_overlap_less() -> None:
    plan = planned(100, 40, 150)
    figures = figures_of(plan, Shooting(focus_m=3.0))
    assert figures.close is not None
    assert figures.overlap is not None
    assert figures.overlap_close is not None
    # thin lens: image distance f (1 + m), m = f / (s - f) = 150 / 2850
    assert math.tan(figures.close[0] / 2) == pytest.approx(12.0 / 150.0 / (1 + 150 / 2850))
    assert figures.overlap - 0.05 < figures.overlap_close < figures.overlap


@pytest.mark.parametrize("focal", [14.0, 50.0, 150.0])
@pytest.mark.parametrize("pitch_deg", [0.0, -20.0])
def test_one_row_is_enough_for_what_one_row_covers(focal: float, pitch_deg: float) -> None:
    low, high = one_row_band(SENSOR, focal, pitch=math.radians(pitch_deg))
    plan = plan_grid(View(-1.0, 1.0, low, high), SENSOR, focal)
    assert len(plan.rows) == 1
    edge = plan.rows[0].overlap_least
    assert edge is None or pitch_deg != 0.0 or edge > 0.12
    more = 0.1 * (high - low)
    assert len(plan_grid(View(-1.0, 1.0, low - more, high + more), SENSOR, focal).rows) == 2


def test_a_longer_lens_gives_more_pixels_and_the_same_view() -> None:
    view = view_of_angles(math.radians(100), math.radians(40))
    tried = compare_lenses(view, SENSOR, [150.0, 24.0, 70.0, 50.0], Shooting())
    assert [t.focal_mm for t in tried] == [24.0, 50.0, 70.0, 150.0]
    plans = [t.plan for t in tried if t.plan is not None]
    assert [p.megapixels for p in plans] == sorted(p.megapixels for p in plans)
    text = compare_words(tried, Shooting())
    assert max(map(len, text.splitlines())) <= 80
    assert re.search(r"^ *50 +5 x 2 +10 +215 +199 +180 x 86 cm +1\.3 GB", text, re.MULTILINE)
    assert "same perspective" in text


def test_a_lens_that_cannot_is_named_beside_those_that_can() -> None:
    view = view_of_angles(math.radians(100), math.radians(40))
    tried = compare_lenses(view, SENSOR, [24.0, 300.0], Shooting(), GridAsked(head=Head(math.radians(15))))
    text = " ".join(compare_words(tried, Shooting()).split())
    assert "300 mm: clicks of 15 degrees for turning are too wide" in text
    with pytest.raises(PlanError, match="too wide"):
        compare_lenses(view, SENSOR, [300.0], Shooting(), GridAsked(head=Head(math.radians(15))))


def test_numbers_are_said_as_people_say_them() -> None:
    assert degrees_words(-1e-9) == "0.0"
    assert degrees_words(math.radians(12.84), signed=True) == "+12.8"
    assert [bytes_words(b) for b in (13.5e6, 999.9e6, 1.28e9, 3e12)] == [
        "13.5 MB",
        "1.0 GB",
        "1.3 GB",
        "3.0 TB",
    ]
    assert [distance_words(d) for d in (0.852, 1.0, 52.4, 1234.0, math.inf)] == [
        "0.85 m",
        "1 m",
        "52 m",
        "1.2 km",
        "infinity",
    ]
    assert share_words(1.0 / 3.0) == "33 %"  # never more than is reached
    assert share_words(0.4399) == "43 %"
    size = PrintSize(1800.0, 860.0, 300.0)
    assert print_words(size) == "180 x 86 cm"
    assert print_words(size, "imperial") == "71 x 34 in"
    assert print_words(PrintSize(6100.0, 2900.0, 300.0), "imperial") == "20 x 9.5 ft"


def test_little_overlap_at_an_edge_is_said_with_a_remedy() -> None:
    little, enough = planned(360, 180, 12), planned(100, 40, 50)
    assert min(row.overlap_least or 1.0 for row in little.rows) < 0.1
    assert "plan with more overlap, or a row more" in " ".join(plan_words(told(little)).split())
    assert "more overlap" not in " ".join(plan_words(told(enough)).split())


def test_no_line_ends_between_a_number_and_its_unit() -> None:
    for width in range(60, 101, 4):
        text = plan_words(told(planned(100, 60, 50), Shooting(nearest_m=4.0, focus_m=9.0)), width=width)
        assert not re.search(r"\d\n +(%|mm|cm|m|km|px|GB|MB|degrees?|pixels?)\b", text)
        assert "\u00a0" not in text


def test_two_stops_back_to_back_have_no_parallax_to_tell() -> None:
    plan = planned(360, 180, 12, orientation="landscape", head=Head(math.radians(5)))
    assert any(row.step >= math.pi - 1e-9 for row in plan.rows)
    assert figures_of(plan, Shooting(nearest_m=0.31)).near_limit_m is not None


def test_clicks_too_wide_for_one_row_are_said() -> None:
    with pytest.raises(PlanError, match=r"clicks of 30 degrees .* about 9\.12 degrees would do"):
        one_row_band(SENSOR, 100.0, head=Head(math.radians(30)))
