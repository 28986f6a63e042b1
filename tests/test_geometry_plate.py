"""The six projections against PROJ, constructions and their own inverses; the plate's pixels."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.geometry.plate import (
    PROJECTIONS,
    Plate,
    Projection,
    direction_to_plane,
    pannini_yaw_limit,
    plane_to_direction,
)
from belvedere.geometry.rotation import direction, pose_matrix

# How far from the axis a direction is drawn here: (yaw, pitch) in radians.
REACH: dict[Projection, tuple[float, float]] = {
    "equirectangular": (3.1, 1.57),
    "cylindrical": (3.1, 1.5),
    "mercator": (3.1, 1.55),
    "rectilinear": (1.4, 1.4),
    "stereographic": (3.1, 1.5),
    "pannini": (1.5, 1.5),
}


def _grid(reach: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    yaw, pitch = np.meshgrid(np.linspace(-reach[0], reach[0], 41), np.linspace(-reach[1], reach[1], 31))
    return yaw, pitch


@pytest.mark.parametrize(
    ("projection", "proj"),
    [
        ("equirectangular", "eqc"),
        ("cylindrical", "cc"),
        ("mercator", "merc"),
        ("rectilinear", "gnom +lat_0=0"),
        ("stereographic", "stere +lat_0=0 +k=1"),
    ],
)
def test_projections_agree_with_proj(projection: Projection, proj: str) -> None:
    # Source: PROJ through pyproj, sphere of radius 1; its y points up.
    yaw, pitch = _grid(REACH[projection])
    reference = pyproj.Proj(f"+proj={proj} +R=1 +lon_0=0")
    x, y = reference(np.degrees(yaw), np.degrees(pitch))
    plane = direction_to_plane(projection, direction(yaw, pitch))
    size = 1.0 + np.hypot(x, y)[..., None]
    np.testing.assert_allclose(plane / size, np.stack([x, -y], axis=-1) / size, atol=1e-12)


@pytest.mark.parametrize("d", [0.0, 0.4, 1.0, 2.5])
def test_pannini_is_the_view_of_a_cylinder_from_behind(d: float) -> None:
    # Sharpless, Postle and German (2010), section 2: the cylinder of radius 1 about the y axis, seen from
    # (0, 0, -d), drawn on the plane z = 1.
    yaw, pitch = _grid((1.5, 1.4))
    on_cylinder = np.stack([np.sin(yaw), -np.tan(pitch), np.cos(yaw)], axis=-1)
    eye = np.array([0.0, 0.0, -d])
    along = on_cylinder - eye
    hit = eye + along * ((1.0 + d) / along[..., 2:])
    plane = direction_to_plane("pannini", direction(yaw, pitch), d=d)
    np.testing.assert_allclose(plane, hit[..., :2], rtol=1e-9, atol=1e-12)


@given(st.floats(-1.5, 1.5), st.floats(-1.4, 1.4))
def test_pannini_with_d_0_is_rectilinear(yaw: float, pitch: float) -> None:
    v = direction(yaw, pitch)
    np.testing.assert_allclose(
        direction_to_plane("pannini", v, d=0.0), direction_to_plane("rectilinear", v), rtol=1e-9, atol=1e-12
    )


@pytest.mark.parametrize(
    ("d", "limit"), [(0.0, math.pi / 2), (0.5, 2 * math.pi / 3), (1.0, math.pi), (2.0, 2 * math.pi / 3)]
)
def test_pannini_ends_where_it_stops_growing(d: float, limit: float) -> None:
    assert pannini_yaw_limit(d) == pytest.approx(limit)
    yaw = np.linspace(0.0, limit - 1e-6, 2000)
    plane = direction_to_plane("pannini", direction(yaw, 0.0), d=d)
    assert (np.diff(plane[:, 0]) > 0).all()
    if limit < math.pi:
        assert np.isnan(direction_to_plane("pannini", direction(limit + 1e-6, 0.0), d=d)).all()


@pytest.mark.parametrize("projection", PROJECTIONS)
@given(data=st.data())
def test_plane_and_direction_are_inverse(projection: Projection, data: st.DataObject) -> None:
    reach = REACH[projection]
    v = direction(data.draw(st.floats(-reach[0], reach[0])), data.draw(st.floats(-reach[1], reach[1])))
    d = data.draw(st.sampled_from([0.0, 0.3, 1.0, 3.0])) if projection == "pannini" else 1.0
    if projection == "pannini" and abs(math.atan2(v[0], v[2])) > pannini_yaw_limit(d) - 0.05:
        return
    plane = direction_to_plane(projection, v, d=d)
    assert np.isfinite(plane).all()
    np.testing.assert_allclose(plane_to_direction(projection, plane, d=d), v, atol=1e-9)


@pytest.mark.parametrize("projection", PROJECTIONS)
@given(a=st.floats(-1e200, 1e200), b=st.floats(-1e200, 1e200), d=st.sampled_from([0.0, 0.5, 1.0, 2.0]))
def test_a_plane_position_sees_a_unit_direction_or_nothing(
    projection: Projection, a: float, b: float, d: float
) -> None:
    v = plane_to_direction(projection, [a, b], d=d)
    assert np.isnan(v).all() or np.linalg.norm(v) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("projection", PROJECTIONS)
@pytest.mark.parametrize("length", [1e-14, 1.0, 1e14])
def test_the_length_of_a_direction_does_not_matter(projection: Projection, length: float) -> None:
    v = direction(*_grid((1.2, 1.2)))
    np.testing.assert_allclose(
        direction_to_plane(projection, v * length), direction_to_plane(projection, v), rtol=1e-12, atol=1e-15
    )


def test_what_a_projection_cannot_show_is_nan() -> None:
    zenith, behind = np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, -1.0])
    for projection in ("cylindrical", "mercator", "pannini", "rectilinear"):
        assert np.isnan(direction_to_plane(projection, zenith)).all(), projection
    for projection in ("rectilinear", "stereographic"):
        assert np.isnan(direction_to_plane(projection, behind)).all(), projection
    np.testing.assert_allclose(direction_to_plane("equirectangular", zenith), [0.0, -math.pi / 2])
    assert np.isnan(plane_to_direction("equirectangular", [0.0, 1.58])).all()
    for projection in PROJECTIONS:
        assert np.isnan(direction_to_plane(projection, [np.nan, 0.0, 1.0])).any(), projection


@pytest.mark.parametrize("projection", PROJECTIONS)
def test_resolution_at_the_centre_is_pixels_per_radian(projection: Projection) -> None:
    plate = Plate(projection, 4000, 3000, 2500.0, (1999.5, 1499.5), (0.4, 0.2, 0.1))
    step = 1e-5
    for around in (direction(step, 0.0), direction(0.0, step)):
        there = plate.points(plate.pose @ around) - plate.points(plate.pose @ [0.0, 0.0, 1.0])
        assert np.linalg.norm(there) / step == pytest.approx(2500.0, rel=1e-6)


@pytest.mark.parametrize("projection", PROJECTIONS)
def test_right_is_right_and_up_is_up_on_every_plate(projection: Projection) -> None:
    plate = Plate(projection, 400, 300, 250.0, (199.5, 149.5))
    np.testing.assert_allclose(plate.points([0.0, 0.0, 1.0]), [199.5, 149.5])
    assert plate.points(direction(0.1, 0.0))[0] > 199.5
    assert plate.points(direction(0.0, 0.1))[1] < 149.5


@pytest.mark.parametrize("projection", PROJECTIONS)
def test_pixels_and_directions_are_inverse_on_a_turned_plate(projection: Projection) -> None:
    plate = Plate(projection, 900, 500, 400.0, (430.0, 260.5), (2.9, -0.4, 0.2), d=0.7)
    x, y = np.meshgrid(np.arange(-0.5, 900, 50.0), np.arange(-0.5, 500, 50.0))
    points = np.stack([x, y], axis=-1)
    directions = plate.directions(points)
    assert np.isfinite(directions).all()
    np.testing.assert_allclose(plate.points(directions), points, atol=1e-8)


def test_a_turned_plate_shows_its_yaw_and_pitch_at_the_centre() -> None:
    plate = Plate("rectilinear", 400, 300, 250.0, (199.5, 149.5), (0.7, 0.3, 1.0))
    np.testing.assert_allclose(plate.directions([199.5, 149.5]), direction(0.7, 0.3), atol=1e-15)
    np.testing.assert_allclose(plate.pose, pose_matrix(0.7, 0.3, 1.0))


@given(st.floats(-50.0, 50.0), st.floats(-1.0, 1.0))
def test_a_full_turn_wraps_into_its_own_columns(yaw: float, pitch: float) -> None:
    width = 1024
    plate = Plate("cylindrical", width, 400, width / (2 * math.pi), (511.5, 199.5), wraps=True)
    x, y = plate.points(direction(yaw, pitch))
    assert -0.5 <= x < width - 0.5
    np.testing.assert_allclose(plate.directions([x, y]), direction(yaw, pitch), atol=1e-9)
    np.testing.assert_allclose(plate.directions([x + width, y]), direction(yaw, pitch), atol=1e-9)


def test_the_border_of_a_full_turn_belongs_to_column_0() -> None:
    width = 64
    plate = Plate("equirectangular", width, 32, width / (2 * math.pi), (-0.5, 15.5), wraps=True)
    yaw = np.array([0.0, -1e-18, -1e-17, -1e-16, 1e-18, 2 * math.pi])
    x = plate.points(direction(yaw, 0.0))[:, 0]
    assert (x >= -0.5).all()
    assert (x < width - 0.5).all()
