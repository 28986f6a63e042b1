"""Rotations against SciPy, and the signs of yaw, pitch and roll."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from belvedere.geometry.rotation import (
    cross_matrix,
    direction,
    matrix_from_quaternion,
    matrix_from_vector,
    pose_matrix,
    quaternion_from_matrix,
    vector_from_matrix,
    yaw_pitch_roll,
)

# Source of every comparison here: scipy.spatial.transform.Rotation.

angle = st.floats(-math.pi, math.pi)
component = st.floats(-1.0, 1.0)
axis = st.tuples(component, component, component).filter(lambda v: math.hypot(*v) > 1e-3)


def _random(count: int) -> Rotation:
    return Rotation.random(count, rng=np.random.default_rng(5))


def test_matrices_agree_with_scipy() -> None:
    for r in _random(200):
        x, y, z, w = r.as_quat(canonical=True)
        np.testing.assert_allclose(matrix_from_quaternion((w, x, y, z)), r.as_matrix(), atol=1e-14)
        np.testing.assert_allclose(quaternion_from_matrix(r.as_matrix()), [w, x, y, z], atol=1e-14)
        np.testing.assert_allclose(matrix_from_vector(r.as_rotvec()), r.as_matrix(), atol=1e-14)
        np.testing.assert_allclose(vector_from_matrix(r.as_matrix()), r.as_rotvec(), atol=1e-13)


def test_pose_is_yaw_about_y_then_pitch_about_x_then_roll_about_z() -> None:
    rng = np.random.default_rng(6)
    for t, p, r in rng.uniform(-1.5, 1.5, (100, 3)):
        expected = Rotation.from_euler("YXZ", [t, p, r]).as_matrix()
        np.testing.assert_allclose(pose_matrix(t, p, r), expected, atol=1e-14)


@given(
    axis, st.sampled_from([0.0, 1e-300, 1e-12, 1e-9, 1e-8, 2e-8, 1e-7, 1e-5, 1e-3, 1.0, 3.0, math.pi - 1e-9])
)
def test_vector_and_matrix_are_inverse_at_every_size(unit: tuple[float, float, float], size: float) -> None:
    v = np.array(unit) / np.linalg.norm(unit) * size
    m = matrix_from_vector(v)
    np.testing.assert_allclose(m, Rotation.from_rotvec(v).as_matrix(), atol=2e-15)
    np.testing.assert_allclose(vector_from_matrix(m), v, rtol=1e-7, atol=1e-15)


@given(axis)
def test_half_turns_survive(unit: tuple[float, float, float]) -> None:
    v = np.array(unit) / np.linalg.norm(unit) * math.pi
    m = matrix_from_vector(v)
    again = vector_from_matrix(m)
    assert np.linalg.norm(again) == pytest.approx(math.pi, abs=1e-9)
    np.testing.assert_allclose(matrix_from_vector(again), m, atol=1e-9)


@given(angle, st.floats(-math.pi / 2 + 1e-6, math.pi / 2 - 1e-6), angle)
def test_angles_round_trip_as_a_pose(yaw: float, pitch: float, roll: float) -> None:
    m = pose_matrix(yaw, pitch, roll)
    t, p, r = yaw_pitch_roll(m)
    np.testing.assert_allclose(pose_matrix(t, p, r), m, atol=2e-9)
    assert p == pytest.approx(pitch, abs=1e-9)


@pytest.mark.parametrize("pitch", [math.pi / 2, -math.pi / 2])
@given(yaw=angle, roll=angle)
def test_angles_round_trip_at_the_zenith_and_nadir(pitch: float, yaw: float, roll: float) -> None:
    m = pose_matrix(yaw, pitch, roll)
    t, p, r = yaw_pitch_roll(m)
    assert r == 0.0
    np.testing.assert_allclose(pose_matrix(t, p, r), m, atol=1e-8)


def test_signs_are_those_of_a_person_turning() -> None:
    forward, right, up = np.array([0.0, 0, 1]), np.array([1.0, 0, 0]), np.array([0.0, -1, 0])
    quarter = math.pi / 2
    np.testing.assert_allclose(pose_matrix(quarter, 0, 0) @ forward, right, atol=1e-15)
    np.testing.assert_allclose(pose_matrix(0, quarter, 0) @ forward, up, atol=1e-15)
    np.testing.assert_allclose(pose_matrix(0, 0, quarter) @ right, -up, atol=1e-15)


@given(angle, st.floats(-math.pi / 2, math.pi / 2))
def test_direction_is_where_the_pose_looks(yaw: float, pitch: float) -> None:
    np.testing.assert_allclose(direction(yaw, pitch), pose_matrix(yaw, pitch, 0.0)[:, 2], atol=1e-15)


@given(axis, axis)
def test_cross_matrix_is_the_cross_product(
    a: tuple[float, float, float], b: tuple[float, float, float]
) -> None:
    np.testing.assert_allclose(cross_matrix(a) @ np.array(b), np.cross(a, b), atol=1e-15)


def test_stacks_of_vectors_give_stacks_of_matrices() -> None:
    v = np.random.default_rng(7).normal(size=(4, 5, 3))
    m = matrix_from_vector(v)
    assert m.shape == (4, 5, 3, 3)
    np.testing.assert_array_equal(m[2, 3], matrix_from_vector(v[2, 3]))


@pytest.mark.parametrize("bad", [(0, 0, 0, 0), (1, 0, 0), (np.nan, 0, 0, 1), (np.inf, 0, 0, 0)])
def test_quaternions_that_are_none_are_refused(bad: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="quaternion of 4 finite numbers"):
        matrix_from_quaternion(bad)


def test_few_digits_still_give_an_orthogonal_matrix() -> None:
    m = matrix_from_quaternion((0.93, 0.1, -0.2, 0.3))
    np.testing.assert_allclose(m @ m.T, np.eye(3), atol=1e-15)
    assert np.linalg.det(m) == pytest.approx(1.0)
