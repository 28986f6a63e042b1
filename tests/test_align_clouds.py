"""Drifting clouds: details that agree with each other and are wrong all the same."""

from __future__ import annotations

import math

import numpy as np
import pytest

from belvedere.align.alignment import Alignment
from belvedere.align.features import Features
from belvedere.align.moving_sky import MovingSky, angles_about, find_moving_sky
from belvedere.align.start import Matches, Sights
from belvedere.align.turn_prediction import Predicted, refined
from belvedere.demo.place import Place
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import matrix_from_vector, pose_matrix, quaternion_from_matrix
from benchmarks.featureless import errors_px
from benchmarks.sets import Shot, shoot
from benchmarks.solved import align

DOWN = np.array([0.0, 1.0, 0.0])
CLOUDS = Place(clouds=0.8, skyline_deg=3.0, sea_width_deg=0.0)


@pytest.fixture(scope="module")
def drifting() -> tuple[Shot, Alignment]:
    """Three rows; the upper one is tied to the others by clouds alone, a minute after another."""
    shot = shoot("cloud-drift", megapixels=0.15, rows=3, columns=4, pitch_deg=16.0, place=CLOUDS)
    return shot, align(shot.source, shot.frames)


def test_clouds_that_drift_lose_against_the_grid(drifting: tuple[Shot, Alignment]) -> None:
    shot, found = drifting
    assert len(found.used) == 12
    errors = errors_px(shot.truth, found)
    for i, (told, place) in enumerate(zip(shot.truth.frames, found.frames, strict=True)):
        assert (place.row, place.column) == (told.row, told.column)
        if told.row > 0:
            assert place.placed_by == "tie-points"
            continue
        assert place.placed_by == "grid"
        assert place.placement_sigma_px is not None
        assert errors[i] < 3.0 * place.placement_sigma_px
        assert "drifting clouds" in (place.doubt or "")


def test_frames_that_the_ground_holds_stay_as_well_solved_as_ever(drifting: tuple[Shot, Alignment]) -> None:
    shot, found = drifting
    low = [i for i, told in enumerate(shot.truth.frames) if told.row > 0]
    cameras = [found.frames[i].camera for i in low]
    true = [shot.truth.frames[i].camera for i in low]
    first = cameras[0]
    assert first is not None
    for camera, t in zip(cameras, true, strict=True):
        assert camera is not None
        step = camera.rotation @ first.rotation.T
        told = t.rotation @ true[0].rotation.T
        assert np.abs(step - told).max() * t.focal_px < 1.0


def test_still_clouds_hold() -> None:
    shot = shoot(
        "cloud-drift",
        megapixels=0.15,
        rows=3,
        columns=4,
        pitch_deg=16.0,
        place=CLOUDS,
        cloud_drift=(0.0, 0.0),
    )
    found = align(shot.source, shot.frames)
    assert all(p.placed_by == "tie-points" for p in found.frames)
    assert max(errors_px(shot.truth, found).values()) < 0.5


def seen_from_a_row(per_second: float, fixed: float) -> tuple[Sights, list[Camera], Matches]:
    """Five frames of one row, 4 s apart: ground that holds, and details above it that move, or repeat."""
    rng = np.random.default_rng(8)
    focal, size = 900.0, (600, 800)
    cameras = [
        Camera(
            *size,
            focal,
            (299.5, 399.5),
            (0.0, 0.0, 0.0),
            quaternion_from_matrix(pose_matrix(0.4 * k, 0.1, 0.0).T),
        )
        for k in range(5)
    ]
    features, matches = [], {}
    points: dict[int, list[np.ndarray]] = {k: [] for k in range(5)}
    count = [0] * 5
    for a in range(4):
        ways = {a: [], a + 1: []}
        at = np.stack([rng.uniform(0.4 * a + 0.1, 0.4 * a + 0.3, 60), rng.uniform(-0.25, 0.4, 60)], axis=1)
        sky = at[:, 1] > 0.1
        for k in (a, a + 1):
            moved = at + np.outer(sky, [per_second * 4.0 * k + fixed * (-1.0) ** a * (k - a), 0.0])
            place, inside = cameras[k].project(directions(moved))
            ways[k] = [place, inside]
        both = ways[a][1] & ways[a + 1][1]
        for k in (a, a + 1):
            points[k].append(ways[k][0][both])
        n = int(both.sum())
        matches[a, a + 1] = np.stack([count[a] + np.arange(n), count[a + 1] + np.arange(n)], axis=1)
        count[a] += n
        count[a + 1] += n
    for k in range(5):
        own = np.concatenate(points[k])
        features.append(Features(own, np.zeros((len(own), 128), np.float32), np.arange(len(own)), 1.0))
    centres = np.tile([299.5, 399.5], (5, 1))
    return (
        Sights(tuple(features), centres, np.tile(np.eye(2), (5, 1, 1)), np.zeros(5, np.int64)),
        cameras,
        matches,
    )


def test_the_rate_of_a_drift_is_measured() -> None:
    sights, cameras, matches = seen_from_a_row(-0.002, 0.0)
    moving = find_moving_sky(sights, range(5), cameras, matches, [4.0 * k for k in range(5)], DOWN)
    assert moving is not None
    assert moving.rate == pytest.approx(0.002, rel=0.1)


@pytest.mark.parametrize(("per_second", "fixed"), [(0.0, 0.0), (0.0, 0.012)])
def test_what_repeats_does_not_drift(per_second: float, fixed: float) -> None:
    sights, cameras, matches = seen_from_a_row(per_second, fixed)
    assert find_moving_sky(sights, range(5), cameras, matches, [4.0 * k for k in range(5)], DOWN) is None


def directions(yaw_pitch: np.ndarray) -> np.ndarray:
    t, p = yaw_pitch[:, 0], yaw_pitch[:, 1]
    return np.stack([np.cos(p) * np.sin(t), -np.sin(p), np.cos(p) * np.cos(t)], axis=1)


def test_the_skyline_parts_what_holds_from_what_moved() -> None:
    rng = np.random.default_rng(2)
    yaw = rng.uniform(-1.0, 1.0, 600)
    skyline = 0.1 + 0.05 * np.sin(3.0 * yaw)
    up = rng.uniform(0.0, 0.2, 600)
    kinds = rng.random(600) < 0.5
    at = np.stack([yaw, np.where(kinds, skyline + up, skyline - up)], axis=1)
    seen = angles_about(directions(at), DOWN)
    moving = MovingSky(1e-3, seen[~kinds], seen[kinds], DOWN)
    assert np.mean(moving.is_sky(directions(at)) == kinds) > 0.93


def test_one_drift_common_to_all_is_found_out_by_the_grid() -> None:
    """Truth by simulation: ten frames scatter by 1 about the grid, all are carried off by 20."""
    rng = np.random.default_rng(4)
    m, unit = 10, 1e-3
    scatter = rng.normal(0.0, unit, (m, 3))
    drift = np.array([20.0, 0.0, 0.0]) * unit
    small = rng.normal(0.0, 0.05 * unit, (m, 3))
    grid = Predicted(np.tile(np.eye(3), (m, 1, 1)), np.einsum("ab,ij->aibj", unit**2 * np.eye(m), np.eye(3)))
    seen = np.swapaxes(matrix_from_vector(scatter + drift + small), 1, 2)
    common = np.einsum(
        "ab,ij->aibj", (20.0 * unit) ** 2 * np.ones((m, m)) + (0.05 * unit) ** 2 * np.eye(m), np.eye(3)
    )
    found = refined(grid, list(range(m)), seen, common)
    turned = matrix_from_vector(scatter)
    off = np.stack(
        [(f.T @ t.T - np.eye(3))[[2, 0, 1], [1, 2, 0]] for f, t in zip(found.rotations, turned, strict=True)]
    )
    stated = math.sqrt(float(np.mean([np.trace(found.covariance[k, :, k]) / 3.0 for k in range(m)])))
    assert float(np.sqrt(np.mean(off**2))) < 3.0 * stated < 3.0 * unit * 0.6
    assert np.std(off, axis=0).max() < 0.2 * unit  # against each other they are as sure as what is seen
