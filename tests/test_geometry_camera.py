"""The camera model against OpenCV, its inverse against itself, and its limits."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.geometry.camera import Camera, growth_limit, undistortion_scale
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix

Distortion = tuple[float, float, float]

DISTORTIONS: list[Distortion] = [
    (0.0, 0.0, 0.0),
    (-0.06, 0.0, 0.0),
    (0.05, -0.02, 0.0),
    (-0.12, 0.03, -0.004),
    (0.2, 0.1, 0.05),
]


def _camera(distortion: Distortion = (0.0, 0.0, 0.0), yaw: float = 0.0, pitch: float = 0.0) -> Camera:
    rotation = quaternion_from_matrix(pose_matrix(yaw, pitch, 0.05).T)
    return Camera(4000, 6000, 8300.0, (2003.5, 2989.25), distortion, rotation)


@pytest.mark.parametrize("distortion", DISTORTIONS)
def test_project_agrees_with_opencv(distortion: Distortion) -> None:
    # Source: OpenCV projectPoints, distortion vector (k1, k2, p1, p2, k3) with p1 = p2 = 0.
    camera = _camera(distortion, yaw=0.7, pitch=-0.3)
    rng = np.random.default_rng(1)
    inside = rng.uniform([-0.5, -0.5], [3999.5, 5999.5], (500, 2))
    world = camera.rays(inside) * rng.uniform(0.5, 40.0, (500, 1))
    k1, k2, k3 = distortion
    matrix = np.array([[8300.0, 0, 2003.5], [0, 8300.0, 2989.25], [0, 0, 1]])
    vector = cv2.Rodrigues(camera.rotation)[0]
    expected, _ = cv2.projectPoints(world, vector, np.zeros(3), matrix, np.array([k1, k2, 0.0, 0.0, k3]))
    points, seen = camera.project(world)
    np.testing.assert_allclose(points, expected[:, 0, :], atol=1e-7)
    assert seen.all()


@pytest.mark.parametrize("distortion", DISTORTIONS)
def test_rays_undo_project_to_a_millionth_of_a_pixel(distortion: Distortion) -> None:
    camera = _camera(distortion, yaw=-2.0, pitch=0.9)
    x, y = np.meshgrid(np.linspace(-0.5, 3999.5, 41), np.linspace(-0.5, 5999.5, 61))
    points = np.stack([x, y], axis=-1)
    rays = camera.rays(points)
    np.testing.assert_allclose(np.linalg.norm(rays, axis=-1), 1.0, atol=1e-14)
    again, _ = camera.project(rays)
    np.testing.assert_allclose(again, points, atol=1e-6)


def test_a_camera_sees_its_own_pixels_and_nothing_beyond() -> None:
    camera = _camera()
    u = np.array(
        [[-0.49, 10.0], [3999.49, 10.0], [-0.51, 10.0], [3999.51, 10.0], [5.0, -0.51], [5.0, 5999.51]]
    )
    _, seen = camera.project(camera.rays(u))
    assert seen.tolist() == [True, True, False, False, False, False]


def test_nothing_behind_the_camera_is_seen() -> None:
    camera = Camera(400, 300, 200.0, (199.5, 149.5), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    behind = np.array(
        [[0.0, 0.0, -1.0], [0.1, 0.1, -2.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0], [np.nan, 0.0, 1.0]]
    )
    points, seen = camera.project(behind)
    assert not seen.any()
    assert np.isnan(points).all()


def test_any_length_of_direction_projects_to_the_same_point() -> None:
    camera = _camera((-0.06, 0.01, 0.0))
    ray = camera.rays([1234.5, 987.6])
    for length in (1e-15, 1e-6, 1.0, 1e9):
        points, seen = camera.project(ray * length)
        assert seen
        np.testing.assert_allclose(points, [1234.5, 987.6], atol=1e-6)


@pytest.mark.parametrize(
    ("distortion", "limit"),
    [
        ((0.0, 0.0, 0.0), math.inf),
        ((0.3, 0.0, 0.0), math.inf),
        ((-0.06, 0.0, 0.0), math.sqrt(1.0 / 0.18)),
        ((0.0, -0.05, 0.0), 4.0**0.25),
        ((0.0, 0.0, -1.0 / 7.0), 1.0),
        ((1e-320, 0.0, 0.0), math.inf),
        ((-1e-12, 0.0, 0.0), math.sqrt(1.0 / 3e-12)),
    ],
)
def test_growth_limit_has_known_values(distortion: Distortion, limit: float) -> None:
    assert growth_limit(distortion) == pytest.approx(limit, rel=1e-9)


def test_a_double_root_of_the_slope_is_found() -> None:
    # Slope (1 - r^2)^2 touches zero at r = 1: 3 k1 = -2, 5 k2 = 1.
    assert growth_limit((-2.0 / 3.0, 0.2, 0.0)) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("distortion", [d for d in DISTORTIONS if d[0] < 0])
def test_no_ray_is_projected_beyond_the_growing_part(distortion: Distortion) -> None:
    # Without the limit a far ray would fold back into the frame and show the scene twice.
    camera = Camera(4000, 4000, 900.0, (1999.5, 1999.5), distortion, (1.0, 0.0, 0.0, 0.0))
    limit = camera.radius_limit
    assert math.isfinite(limit)
    r = np.array([0.5 * limit, limit * (1 - 1e-9), limit * (1 + 1e-9), 1.5 * limit, 50.0 * limit])
    points, seen = camera.project(np.stack([r, np.zeros(5), np.ones(5)], axis=-1))
    assert np.isfinite(points[:2]).all()
    assert np.isnan(points[2:]).all()
    assert not seen[2:].any()


coefficient = st.floats(-0.4, 0.4).map(lambda v: round(v, 6))


@given(st.tuples(coefficient, coefficient, coefficient), st.floats(0.0, 1.0))
def test_undistortion_is_the_inverse_within_the_growing_part(distortion: Distortion, share: float) -> None:
    k1, k2, k3 = distortion
    r = share * min(0.98 * growth_limit(distortion), 2.0)
    rd = r * (1 + k1 * r**2 + k2 * r**4 + k3 * r**6)
    assert float(undistortion_scale(rd, distortion)) * rd == pytest.approx(r, abs=1e-9)


@given(st.tuples(coefficient, coefficient, coefficient), st.floats(0.0, 100.0))
def test_undistortion_stays_finite_and_within_the_limit(distortion: Distortion, rd: float) -> None:
    r = float(undistortion_scale(rd, distortion)) * rd
    assert math.isfinite(r)
    assert 0.0 <= r <= growth_limit(distortion) * (1 + 1e-12)


@given(st.tuples(coefficient, coefficient, coefficient))
def test_the_distortion_grows_up_to_its_limit(distortion: Distortion) -> None:
    k1, k2, k3 = distortion
    r = np.linspace(0.0, min(growth_limit(distortion) * (1 - 1e-9), 20.0), 400)
    assert (np.diff(r * (1 + k1 * r**2 + k2 * r**4 + k3 * r**6)) > 0).all()


@given(st.integers(0, 6), st.floats(0, 3999), st.floats(0, 5999))
def test_scaled_camera_sees_the_same_ray_at_the_mean_of_the_pixels(level: int, u: float, v: float) -> None:
    # The copy's pixel i is the mean of pixels 2^l i to 2^l (i + 1) - 1, whose centre is their mean position.
    camera = _camera((-0.06, 0.01, 0.0), yaw=0.3)
    small = camera.scaled(level)
    s = 2**level
    np.testing.assert_allclose(
        small.rays([(u - (s - 1) / 2) / s, (v - (s - 1) / 2) / s]), camera.rays([u, v]), atol=1e-12
    )
    assert (small.width, small.height) == (math.ceil(4000 / s), math.ceil(6000 / s))


def test_scaling_twice_is_scaling_by_two_levels() -> None:
    odd = Camera(4001, 3003, 5000.0, (2000.25, 1501.0), (0.1, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    for level in range(1, 8):
        step = odd
        for _ in range(level):
            step = step.scaled(1)
        direct = odd.scaled(level)
        assert (step.width, step.height) == (direct.width, direct.height)
        assert step.focal_px == pytest.approx(direct.focal_px, rel=1e-14)
        assert step.principal_point == pytest.approx(direct.principal_point, rel=1e-14)


@pytest.mark.parametrize(
    ("distortion", "r"),
    [
        ((0.0, 0.0, 0.25), 2.0),  # plain Newton's method needs more than 20 steps
        ((0.3909, 0.3560, -0.0013691), 1.9277),  # it leaps to the limit and stays there
        ((0.0, 0.15819353, -0.02809268), 1.42750238),  # it swings between two radii for ever
    ],
)
def test_undistortion_finds_what_newtons_method_alone_does_not(distortion: Distortion, r: float) -> None:
    k1, k2, k3 = distortion
    rd = r * (1 + k1 * r**2 + k2 * r**4 + k3 * r**6)
    assert float(undistortion_scale(rd, distortion)) * rd == pytest.approx(r, abs=1e-12)


def test_one_senseless_radius_does_not_disturb_the_others() -> None:
    alone = undistortion_scale([0.3, 2.0], (-0.06, 0.0, 0.0))
    np.testing.assert_array_equal(undistortion_scale([0.3, np.nan, 2.0], (-0.06, 0.0, 0.0))[[0, 2]], alone)
