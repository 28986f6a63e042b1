"""The plate against known fields of view: which projection, which view, how large, and that all fits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from belvedere.compose.field import border_rays
from belvedere.compose.layout import LayoutOptions, choose_plate
from belvedere.errors import BelvedereError, NothingToMake
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import PROJECTIONS, Plate
from belvedere.geometry.projection_choice import WRAP_MULTIPLE_PX
from compose_scene import FOCAL, HEIGHT, WIDTH, camera

HALF = math.degrees(math.atan(WIDTH / 2 / FOCAL))  # 28.6 degrees to either side


def row(first: float, last: float, step: float = 20.0, pitch: float = 0.0) -> list[Camera]:
    return [camera(y, pitch) for y in np.arange(first, last + 0.1, step)]


def assert_holds_all(plate: Plate, cameras: list[Camera]) -> None:
    """Every border ray lies on the plate, and no row or column is to spare."""
    points = plate.points(np.concatenate([border_rays(c) for c in cameras]))
    assert np.isfinite(points).all()
    low, high = points.min(axis=0), points.max(axis=0)
    assert low[1] >= -1e-6
    assert high[1] <= plate.height - 1 + 1e-6
    if not plate.wraps:
        assert low[0] >= -1e-6
        assert high[0] <= plate.width - 1 + 1e-6
        assert low[0] < 1.0 + 1e-6
        assert high[0] > plate.width - 2 - 1e-6


@pytest.mark.parametrize(
    ("cameras", "projection"),
    [
        (row(0, 0), "rectilinear"),
        (row(-5, 5, 10), "rectilinear"),
        (row(-10, 10), "pannini"),
        (row(-40, 40), "pannini"),
        (row(-60, 60), "cylindrical"),
        (row(0, 340), "cylindrical"),
        ([camera(y, p) for y in (-30, 0, 30) for p in (-35, 0, 35)], "equirectangular"),
        ([camera(y, p) for y in range(0, 360, 30) for p in (-35, 0, 35)], "equirectangular"),
    ],
)
def test_projection_follows_from_the_field(cameras: list[Camera], projection: str) -> None:
    plate, why = choose_plate(cameras)
    assert plate.projection == projection
    assert why.startswith(projection)
    assert "degrees" in why
    assert_holds_all(plate, cameras)
    assert plate.pixels_per_radian >= FOCAL


def test_view_is_centred_and_level() -> None:
    for middle in (0.0, 100.0, 180.0, -170.0):
        cameras = row(middle - 20, middle + 20)
        plate, _ = choose_plate(cameras)
        yaw, pitch, roll = plate.yaw_pitch_roll
        assert math.cos(yaw - math.radians(middle)) == pytest.approx(1.0, abs=1e-9)
        assert (pitch, roll) == (0.0, 0.0)
        assert plate.width == pytest.approx(2 * plate.centre[0] + 1, abs=1.0)
        assert_holds_all(plate, cameras)


def test_verticals_stay_straight_when_the_camera_looks_up() -> None:
    cameras = [camera(0, 20)]
    plate, _ = choose_plate(cameras)
    assert plate.projection == "rectilinear"
    assert plate.yaw_pitch_roll[1:] == (0.0, 0.0)
    assert plate.centre[1] > plate.height * 0.6  # the horizon lies low
    assert_holds_all(plate, cameras)


def test_steep_single_frame_gets_a_pitched_plate() -> None:
    cameras = [camera(30, 65)]
    plate, why = choose_plate(cameras)
    assert plate.projection == "rectilinear"
    assert [math.degrees(a) for a in plate.yaw_pitch_roll] == pytest.approx([30, 65, 0], abs=1.0)
    assert "turned" in why
    assert plate.width < 1.2 * WIDTH
    assert_holds_all(plate, cameras)


def test_column_over_the_zenith_makes_the_sweep_the_equator() -> None:
    cameras = [camera(20, p) for p in range(0, 171, 19)]
    plate, why = choose_plate(cameras)
    assert plate.projection == "cylindrical"
    assert math.degrees(plate.yaw_pitch_roll[2]) == pytest.approx(90.0, abs=1e-6)
    assert "zenith" in why
    assert plate.height < 1.5 * WIDTH
    assert_holds_all(plate, cameras)


def test_full_turn_is_a_whole_number_of_pixels_and_begins_where_the_series_does() -> None:
    for sense in (1, -1):
        cameras = [camera(40 + sense * y) for y in range(0, 360, 30)]
        plate, why = choose_plate(cameras)
        assert plate.wraps
        assert plate.width % WRAP_MULTIPLE_PX == 0
        assert plate.width == pytest.approx(2 * math.pi * plate.pixels_per_radian, rel=1e-12)
        assert FOCAL <= plate.pixels_per_radian <= FOCAL + WRAP_MULTIPLE_PX / (2 * math.pi)
        assert "full turn" in why
        first = plate.points(cameras[0].rays([[(WIDTH - 1) / 2, (HEIGHT - 1) / 2]]))[0, 0]
        edge = math.radians(HALF) * plate.pixels_per_radian
        assert first == pytest.approx(edge if sense > 0 else plate.width - edge, abs=2.0)


def test_one_missing_frame_is_no_full_turn() -> None:
    cameras = [camera(y) for y in range(0, 300, 30)]
    plate, _ = choose_plate(cameras)
    assert not plate.wraps
    assert plate.width == pytest.approx(math.radians(270 + 2 * HALF) * FOCAL, abs=3)
    assert_holds_all(plate, cameras)


def test_whole_sphere_reaches_both_poles() -> None:
    cameras = [camera(y, p) for p in (-40, 0, 40) for y in range(0, 360, 40)] + [
        camera(0, 90),
        camera(0, -90),
    ]
    plate, _ = choose_plate(cameras)
    assert plate.projection == "equirectangular"
    assert plate.wraps
    s = plate.pixels_per_radian
    assert plate.centre[1] >= math.pi / 2 * s
    assert plate.height - 1 - plate.centre[1] >= math.pi / 2 * s
    assert plate.height <= math.pi * s + 3


def test_the_person_may_force_everything() -> None:
    cameras = row(-20, 20)
    for projection in PROJECTIONS:
        plate, why = choose_plate(cameras, LayoutOptions(projection, 0.1, 300.0, 0.7))
        assert plate.projection == projection
        assert plate.pixels_per_radian == 300.0
        straight = projection in ("rectilinear", "stereographic", "pannini")
        assert plate.yaw_pitch_roll[0] == pytest.approx(0.1 if straight else 0.0, abs=1e-9)
        assert plate.d == 0.7
        assert "as asked" in why
        assert_holds_all(plate, cameras)


@pytest.mark.parametrize(
    ("cameras", "options"),
    [
        (row(-80, 80), LayoutOptions("rectilinear")),
        (row(0, 340), LayoutOptions("rectilinear")),
        (row(0, 340), LayoutOptions("pannini")),
        (row(0, 340), LayoutOptions("stereographic")),
        ([*row(0, 340, 20), camera(0, 90)], LayoutOptions("cylindrical")),
        ([*row(0, 340, 20), camera(0, 90)], LayoutOptions("mercator")),
        (row(-60, 60), LayoutOptions("pannini", d=0.0)),
        (row(0, 0), LayoutOptions(pixels_per_radian=-1.0)),
        (row(0, 0), LayoutOptions(pixels_per_radian=math.inf)),
    ],
)
def test_what_cannot_be_shown_is_refused_in_one_sentence(
    cameras: list[Camera], options: LayoutOptions
) -> None:
    with pytest.raises(BelvedereError) as caught:
        choose_plate(cameras, options)
    assert "\n" not in str(caught.value)


def test_no_camera_is_nothing_to_make() -> None:
    with pytest.raises(NothingToMake):
        choose_plate([])


def test_two_equal_gaps_are_no_matter() -> None:
    cameras = [camera(0), camera(180)]
    plate, _ = choose_plate(cameras)
    assert_holds_all(plate, cameras)


@settings(max_examples=100, deadline=None)
@given(
    yaws=st.lists(st.floats(-180, 180), min_size=1, max_size=6),
    pitch=st.floats(-85, 85),
    roll=st.floats(-20, 20),
    k1=st.floats(-0.1, 0.05),
)
def test_any_field_gets_a_plate_that_holds_it(
    yaws: list[float], pitch: float, roll: float, k1: float
) -> None:
    cameras = [camera(y, pitch * (1 - 0.2 * i), roll, k1=k1) for i, y in enumerate(yaws)]
    plate, _ = choose_plate(cameras)
    points = plate.points(np.concatenate([border_rays(c) for c in cameras]))
    assert np.isfinite(points).all()
    assert (points >= -0.5 - 1e-6).all()
    assert (points <= np.array([plate.width, plate.height]) - 0.5 + 1e-6).all()
