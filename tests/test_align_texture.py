"""Soft texture without features: registered directly, and weighed by how still the sky may be."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from belvedere.align.overlap_check import Structure, structure
from belvedere.align.pair_rotation import find_rotation
from belvedere.align.soft_shifts import brought_together
from belvedere.align.soft_texture import Shift, measure_shift
from belvedere.align.texture_filter import refined_by_shifts
from belvedere.align.turn_prediction import Predicted
from belvedere.capture.frame_source import FramesInMemory
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import matrix_from_vector, pose_matrix, quaternion_from_matrix

FOCAL = 800.0
STEP = 0.32


def camera(yaw: float, pitch: float = 0.0) -> Camera:
    q = quaternion_from_matrix(pose_matrix(yaw, pitch, 0.0).T)
    return Camera(400, 300, FOCAL, (199.5, 149.5), (0.0, 0.0, 0.0), q)


def soft_sky(cameras: list[Camera], contrast: float = 12.0, seed: int = 0) -> dict[int, Structure]:
    """Structures of frames of a sky with soft cloud and noise, laid out in yaw and pitch."""
    rng = np.random.default_rng(seed)
    sky = cv2.GaussianBlur(rng.normal(0.0, 1.0, (900, 1800)), (0, 0), 6.0)
    sky *= contrast / sky.std()
    pixels = []
    for c in cameras:
        x, y = np.meshgrid(np.arange(c.width), np.arange(c.height))
        rays = c.rays(np.stack([x, y], axis=-1))
        yaw, pitch = np.arctan2(rays[..., 0], rays[..., 2]), np.arcsin(-rays[..., 1])
        at = np.stack([900.0 + FOCAL * yaw, 450.0 - FOCAL * pitch], axis=-1).astype(np.float32)
        grey = 140.0 + cv2.remap(sky, at, None, cv2.INTER_LINEAR) + rng.normal(0.0, 1.0, x.shape)
        pixels.append(np.repeat(np.clip(np.rint(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=2))
    source = FramesInMemory(pixels)
    return {i: structure(source, i) for i in range(len(cameras))}


def test_a_shift_of_soft_cloud_is_measured() -> None:
    true = [camera(0.0), camera(STEP)]
    taken = {0: true[0], 1: camera(STEP + 0.008, -0.004)}
    found = measure_shift((0, 1), soft_sky(true), taken, 15.0)
    assert found is not None
    # the second frame is taken to look 0.008 farther right and 0.004 lower than it does, so the first seems
    # to show its details as much farther left and higher
    np.testing.assert_allclose(found.seen(taken)[1], [-0.008, -0.004], atol=3.0 * found.sigma)
    assert found.sigma < 0.002


def test_plain_sky_and_another_sky_give_no_shift() -> None:
    true = [camera(0.0), camera(STEP)]
    both = dict(enumerate(true))
    assert measure_shift((0, 1), soft_sky(true, contrast=0.05), both, 15.0) is None
    other = {0: soft_sky(true)[0], 1: soft_sky(true, seed=9)[1]}
    assert measure_shift((0, 1), other, both, 15.0) is None


@pytest.mark.parametrize("lapse", [0.0, 4.0, 600.0])
def test_a_shift_moves_the_frame_as_far_as_the_sky_may_be_still(lapse: float) -> None:
    true = [camera(0.0), camera(STEP)]
    off = camera(STEP + 0.008, -0.004)
    shift = measure_shift((0, 1), soft_sky(true), {0: true[0], 1: off}, 15.0)
    assert shift is not None
    prior = np.zeros((1, 3, 1, 3))
    prior[0, :, 0] = 0.006**2 * np.eye(3)
    grid = Predicted(off.rotation[None], prior)
    found = refined_by_shifts(grid, [1], [shift], {0: true[0], 1: off}, [0.0, lapse], 1e-3)
    before = np.linalg.norm(off.rotation[2] - true[1].rotation[2])
    after = np.linalg.norm(found.rotations[0, 2] - true[1].rotation[2])
    sigma = float(np.sqrt(np.trace(found.covariance[0, :, 0]) / 3.0))
    if lapse == 0.0:
        assert after < 0.25 * before
        assert sigma < 0.7 * 0.006
    elif lapse == 4.0:
        assert after < 0.6 * before
    else:  # ten minutes: the grid is believed
        assert after > 0.85 * before
        assert sigma > 0.9 * 0.006


def test_through_a_long_lens_a_roll_is_no_rival() -> None:
    """Matches in a narrow strip that a little roll hardly moves: one rotation, not two."""
    rng = np.random.default_rng(3)
    rays = np.stack([rng.uniform(0.01, 0.022, 120), rng.uniform(-0.035, 0.035, 120), np.ones(120)], axis=1)
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    turn = matrix_from_vector([0.0, -0.03, 0.001])
    noisy = rays @ turn.T + rng.normal(0.0, 3e-5, rays.shape)
    noisy /= np.linalg.norm(noisy, axis=1, keepdims=True)
    found = find_rotation(rays, noisy, 3.5 / 9500.0, different=0.03 * 0.085)
    assert found is not None
    assert found.inliers.all()
    assert found.rival < 0.5
    shifted = rays @ matrix_from_vector([0.0, -0.036, 0.001]).T  # half of them somewhere else: that is one
    repeats = np.where((np.arange(120) % 2 == 0)[:, None], noisy, shifted)
    found = find_rotation(rays, repeats, 3.5 / 9500.0, different=0.03 * 0.085)
    assert found is not None
    assert found.rival > 0.8


def sky_shift(held: int, off: Camera, cameras: dict[int, Camera], drift: float, lapse: float) -> Shift:
    """What a held frame and one that looks where `off` is show of a sky that drifts to the right."""
    middle = cameras[held].rays(np.array([[199.5 + 130.0, 149.5]]))
    there = off.project(middle @ matrix_from_vector([0.0, drift * lapse, 0.0]).T)[0][0]
    at = cameras[held].project(middle)[0][0]
    return Shift(held, 1, at, there, 2e-5)


def test_shifts_over_short_and_long_times_that_agree_show_that_clouds_stand_still() -> None:
    cameras = {0: camera(0.0), 1: camera(STEP + 0.008, -0.004), 2: camera(0.02, 0.1)}
    true = camera(STEP)
    prior = np.zeros((1, 3, 1, 3))
    prior[0, :, 0] = 0.006**2 * np.eye(3)
    grid = Predicted(cameras[1].rotation[None], prior)
    shifts = [sky_shift(0, true, cameras, 0.0, -4.0), sky_shift(2, true, cameras, 0.0, -150.0)]
    found = refined_by_shifts(grid, [1], shifts, cameras, [0.0, 4.0, 154.0], 1e-3)
    assert np.linalg.norm(found.rotations[0, 2] - true.rotation[2]) < 2e-4
    one = refined_by_shifts(grid, [1], shifts[1:], cameras, [0.0, 4.0, 154.0], 1e-3)
    sure, unsure = (float(np.trace(f.covariance[0, :, 0])) for f in (found, one))
    assert sure < 0.5 * unsure


@pytest.mark.parametrize("drift", [1e-4, 5e-4, -1e-3])
def test_clouds_that_drift_leave_a_frame_as_unsure_as_it_is(drift: float) -> None:
    cameras = {0: camera(0.0), 1: camera(STEP + 0.004, -0.002), 2: camera(0.02, 0.1)}
    true = camera(STEP)
    prior = np.zeros((1, 3, 1, 3))
    prior[0, :, 0] = 0.006**2 * np.eye(3)
    grid = Predicted(cameras[1].rotation[None], prior)
    shifts = [sky_shift(0, true, cameras, drift, -4.0), sky_shift(2, true, cameras, drift, -12.0)]
    found = refined_by_shifts(grid, [1], shifts, cameras, [0.0, 4.0, 16.0], 1e-3)
    off = np.linalg.norm(found.rotations[0, 2] - true.rotation[2])
    sigma = float(np.sqrt(np.trace(found.covariance[0, :, 0]) / 3.0))
    assert off < 3.0 * sigma


def test_two_cameras_brought_together_have_the_shift_in_one_direction() -> None:
    a, b = camera(0.0), camera(STEP, 0.01)
    shift = Shift(0, 1, np.array([320.0, 100.0]), np.array([50.0, 130.0]), 1e-4)
    assert np.linalg.norm(shift.seen({0: a, 1: b})[1]) > 1e-3
    a, b = brought_together(shift, (a, b))
    assert np.linalg.norm(shift.seen({0: a, 1: b})[1]) < 1e-12
