"""Footprints: never too small, two at the wrap, a band over a pole."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from belvedere.compose.footprint import footprint, meets
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import PROJECTIONS, Plate, Projection
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix


def camera(yaw: float, pitch: float, roll: float, focal: float = 150.0) -> Camera:
    pose = pose_matrix(yaw, pitch, roll)
    return Camera(160, 120, focal, (80.0, 58.0), (-0.05, 0.01, 0.0), quaternion_from_matrix(pose.T))


def full_turn(projection: Projection = "equirectangular") -> Plate:
    s = 640 / (2 * math.pi)
    return Plate(projection, 640, 320, s, (100.0, 160.0), (0.1, 0.0, 0.0), wraps=True)


@settings(max_examples=100, deadline=None)
@given(
    yaw=st.floats(-3.2, 3.2),
    pitch=st.floats(-1.57, 1.57),
    roll=st.floats(-3.2, 3.2),
    focal=st.floats(60.0, 900.0),
    projection=st.sampled_from(PROJECTIONS),
    wraps=st.booleans(),
)
def test_nothing_the_camera_sees_lies_outside(
    yaw: float, pitch: float, roll: float, focal: float, projection: Projection, wraps: bool
) -> None:
    wraps = wraps and projection in ("equirectangular", "cylindrical", "mercator")
    if wraps:
        plate = full_turn(projection)
    else:
        plate = Plate(projection, 700, 400, 110.0, (300.0, 210.0), (0.4, 0.1, 0.05), d=0.9)
    cam = camera(yaw, pitch, roll, focal)
    x, y = np.meshgrid(np.arange(0, plate.width, 2), np.arange(0, plate.height, 2))
    _, seen = cam.project(plate.directions(np.stack([x, y], axis=-1)))
    seen &= np.isfinite(plate.directions(np.stack([x, y], axis=-1))).all(axis=-1)
    inside = np.zeros(seen.shape, int)
    for r in footprint(cam, plate):
        assert 0 <= r.x0 < r.x1 <= plate.width
        assert 0 <= r.y0 < r.y1 <= plate.height
        inside += (x >= r.x0) & (x < r.x1) & (y >= r.y0) & (y < r.y1)
    assert not (seen & (inside == 0)).any()
    if wraps:
        assert inside.max() <= 1


def test_two_rectangles_at_the_wrap() -> None:
    plate = full_turn()
    at_edge = plate.directions([0.0, 160.0])
    yaw = math.atan2(at_edge[0], at_edge[2])
    rects = sorted(footprint(camera(yaw, 0.0, 0.0), plate))
    assert len(rects) == 2
    assert rects[0].x0 == 0
    assert rects[1].x1 == 640
    assert sum(r.x1 - r.x0 for r in rects) < 130


@pytest.mark.parametrize("sign", [1, -1])
def test_a_band_over_a_pole(sign: int) -> None:
    plate = full_turn()
    (rect,) = footprint(camera(0.3, sign * 1.5, 0.2), plate)
    assert (rect.x0, rect.x1) == (0, 640)
    if sign > 0:
        assert rect.y0 == 0 or rect.y0 == 59  # the plate's top row or the pole's
        assert rect.y1 < 160
    else:
        assert rect.y1 >= 260
        assert rect.y0 > 160


def test_a_camera_looking_away_covers_nothing() -> None:
    plate = Plate("rectilinear", 400, 300, 300.0, (200.0, 150.0))
    assert footprint(camera(1.2, 0.0, 0.0, 300.0), plate) == ()


def test_it_is_not_wasteful() -> None:
    plate = Plate("rectilinear", 1600, 1200, 1500.0, (800.0, 600.0))
    cam = Camera(160, 120, 1500.0, (79.5, 59.5), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    (rect,) = footprint(cam, plate)
    assert (rect.x1 - rect.x0) * (rect.y1 - rect.y0) < 1.15 * 160 * 120
    assert meets([rect], 860, 640, 900, 700)
    assert not meets([rect], 900, 640, 950, 700)
