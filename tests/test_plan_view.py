"""Views: from angles, bearings, a lens and a print; what cannot be is told with the nearest that can."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from belvedere.errors import PlanError
from belvedere.optics.sensor import Sensor
from belvedere.plan.picture_size import extent_of, picture_size, projection_of
from belvedere.plan.view import View, view_between_bearings, view_of_angles
from belvedere.plan.wanted import focal_for_print, focal_of_angle, view_as_with, view_of_print

FULL_FRAME = Sensor(36.0, 24.0, 6000, 4000)


def _deg(angle: float) -> float:
    return math.radians(angle)


def test_bearings_wrap_over_north() -> None:
    view = view_between_bearings(_deg(350), _deg(40), _deg(-5), _deg(20))
    assert math.degrees(view.wide) == pytest.approx(50)
    assert view.bearing(view.yaw_left) == pytest.approx(_deg(350))
    assert view.bearing(0.0) == pytest.approx(_deg(15))
    assert view.bearing(view.yaw_right) == pytest.approx(_deg(40))


def test_bearings_a_turn_apart_are_a_full_turn_and_equal_ones_are_no_view() -> None:
    assert view_between_bearings(0.0, 2 * math.pi, -0.1, 0.1).full_turn
    with pytest.raises(PlanError, match="for a full turn give 0 and 360"):
        view_between_bearings(1.0, 1.0, -0.1, 0.1)


@pytest.mark.parametrize(
    ("make", "nearest"),
    [
        (lambda: view_of_angles(_deg(400), _deg(30)), "the widest is a full turn, 360 degrees"),
        (lambda: view_of_angles(_deg(90), _deg(190)), "180 degrees"),
        (lambda: view_of_angles(_deg(90), _deg(60), pitch=_deg(80)), "reaches from 50 to 90"),
        (lambda: view_of_angles(_deg(-10), _deg(60)), "give a left edge left of the right one"),
        (lambda: View(0.0, math.nan, 0.0, 1.0), "numbers"),
        (lambda: focal_of_angle(_deg(200), 36.0), "stays below 180; the widest lenses made see about 130"),
        (lambda: view_as_with(FULL_FRAME, -24.0), "not -24 mm"),
        (
            lambda: view_of_print(9000.0, 600.0, FULL_FRAME, 24.0),
            "a print of 9.0 x 0.6 m .* is 212 x 106 cm; a",
        ),
        (
            lambda: view_of_print(9000.0, 600.0, FULL_FRAME, 24.0, units="imperial"),
            "a print of 30 x 2.0 ft .* is 83 x 41 in; a",
        ),
        (lambda: focal_for_print(view_of_angles(1.0, 1.0), -1.0, 10.0, FULL_FRAME), "not -1 mm"),
    ],
)
def test_what_cannot_be_says_what_can(make: object, nearest: str) -> None:
    with pytest.raises(PlanError, match=nearest):
        make()  # type: ignore[operator]


def test_a_print_too_large_names_the_lens_that_fills_it() -> None:
    with pytest.raises(PlanError) as caught:
        view_of_print(9000.0, 600.0, FULL_FRAME, 24.0)
    focal = float(str(caught.value).rpartition("a lens of ")[2].split(" ")[0])
    view = view_of_print(9000.0, 600.0, FULL_FRAME, focal)
    assert view.wide > 6.1
    with pytest.raises(PlanError):
        view_of_print(9000.0, 600.0, FULL_FRAME, focal - 1.0)


def test_a_view_as_with_24_mm_is_the_angle_on_the_long_side() -> None:
    # angle of view of 24 mm on 36 x 24 mm: 73.7 x 53.1 degrees, 2 atan(side / 2f); the figures that lens
    # tables print (common practice, no published source)
    view = view_as_with(FULL_FRAME, 24.0)
    assert math.degrees(view.wide) == pytest.approx(73.74, abs=0.01)
    assert math.degrees(view.tall) == pytest.approx(53.13, abs=0.01)
    upright = view_as_with(FULL_FRAME, 24.0, orientation="portrait")
    assert (upright.wide, upright.tall) == (view.tall, view.wide)


@settings(deadline=None, max_examples=25)
@example(122.0, 99.0, 20.0, 150.0)  # a plate taller than the sphere
@given(st.floats(2.0, 360.0), st.floats(1.0, 99.0), st.floats(20.0, 300.0), st.sampled_from([150.0, 300.0]))
def test_the_view_of_a_print_gives_that_print(wide: float, tall: float, focal: float, ppi: float) -> None:
    """A view's picture printed, and the view of that print: the same, by way of every projection."""
    view = view_of_angles(_deg(wide), _deg(tall))
    s = FULL_FRAME.focal_px(focal)
    across, down = extent_of(view)
    mm = 25.4 / ppi
    found = view_of_print(across * s * mm, down * s * mm, FULL_FRAME, focal, ppi=ppi)
    pixel = 3.0 / s / math.cos(view.steepest) ** 2
    if projection_of(found) == projection_of(view):
        assert extent_of(found)[0] == pytest.approx(across, abs=pixel)
        assert extent_of(found)[1] == pytest.approx(down, abs=pixel)


@settings(deadline=None, max_examples=25)
@given(st.floats(2.0, 360.0), st.floats(1.0, 170.0), st.floats(100.0, 3000.0))
def test_the_focal_length_for_a_print_gives_the_pixels_it_needs(wide: float, tall: float, mm: float) -> None:
    view = view_of_angles(_deg(wide), _deg(tall))
    found = focal_for_print(view, mm, mm / 2.0, FULL_FRAME)
    _, width, height = picture_size(view, FULL_FRAME.focal_px(found.focal_mm))
    need = (math.ceil(mm / 25.4 * 300 - 1e-6), math.ceil(mm / 2.0 / 25.4 * 300 - 1e-6))
    assert width >= need[0]
    assert height >= need[1]
    assert width <= need[0] + 65 or height <= need[1] + 1
    assert found.shorter_mm is None or found.shorter_mm <= found.focal_mm * (1 + 1e-9)
    assert found.longer_mm is None or found.longer_mm >= found.focal_mm * (1 - 1e-9)


def test_the_focal_length_for_a_print_by_hand() -> None:
    # a full turn 5 m wide at 300 ppi: 5000 / 25.4 * 300 = 59055.1 -> 59056 px; / 2 pi = 9399 px per radian; a
    # pixel of 36 mm / 6000 = 6 micrometres: 56.4 mm
    found = focal_for_print(View(0.0, 2 * math.pi, -0.2, 0.2), 5000.0, 300.0, FULL_FRAME)
    assert found.focal_mm == pytest.approx(56.394, abs=0.001)
    assert (found.shorter_mm, found.longer_mm) == (50.0, 60.0)


def test_sizes_by_hand() -> None:
    # 50 mm, 6 micrometre pixels: 8333.3 px per radian
    s = FULL_FRAME.focal_px(50.0)
    assert s == pytest.approx(50.0 / 0.006)
    # 60 x 40 degrees, rectilinear: 2 tan(30) wide; 2 tan(20) / cos(30) high, at the corners
    flat = picture_size(view_of_angles(_deg(60), _deg(40)), s)
    assert flat == ("rectilinear", math.ceil(2 * math.tan(_deg(30)) * s), math.ceil(0.840560 * s))
    # 200 x 60 degrees: a cylinder, 200 degrees of arc, 2 tan(30) high
    tube = picture_size(view_of_angles(_deg(200), _deg(60)), s)
    assert tube == ("cylindrical", math.ceil(_deg(200) * s), math.ceil(2 * math.tan(_deg(30)) * s))
    # all there is: 2 pi by pi, the width a multiple of 64
    ball = picture_size(View(-math.pi, math.pi, -math.pi / 2, math.pi / 2), s)
    assert ball == ("equirectangular", 52416, math.ceil(math.pi * s))
