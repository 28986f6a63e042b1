"""The level: every kind of evidence against truth, and how they are put together."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.level import estimate_level
from belvedere.align.level_by_hand import level_by_hand
from belvedere.align.level_evidence import Evidence, combine, moved, step_to, tangent
from belvedere.align.level_tags import level_of_tags
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.sea_horizon import find_sea_horizon
from belvedere.align.verticals import Segments, find_verticals, level_of_segments
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.poses import pan_axis, plan_shots
from belvedere.demo.render import render_frames
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import (
    matrix_from_vector,
    pose_matrix,
    quaternion_from_matrix,
    rotation_z,
    yaw_pitch_roll,
)

DOWN = np.array([0.0, 1.0, 0.0])


def _angle_deg(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


def _camera(yaw_deg: float, pitch_deg: float, roll_deg: float, focal: float = 1500.0) -> Camera:
    pose = pose_matrix(*np.radians([yaw_deg, pitch_deg, roll_deg]))
    return Camera(1000, 1500, focal, (499.5, 749.5), (0.0, 0.0, 0.0), quaternion_from_matrix(pose.T))


def _frames(count: int, metadata: Metadata | None = None) -> list[Frame]:
    said = metadata or Metadata(1000, 1500)
    return [Frame((Exposure(Path(f"F{i}.JPG"), said),)) for i in range(count)]


def _blank(cameras: list[Camera]) -> FramesInMemory:
    return FramesInMemory([np.full((c.height // 8, c.width // 8, 3), 128, np.uint8) for c in cameras])


def _evidence(source: str, down: NDArray[np.float64], sigmas_deg: tuple[float, float]) -> Evidence:
    t = tangent(down)
    covariance = t.T @ np.diag(np.radians(sigmas_deg) ** 2) @ t
    return Evidence(source, down, covariance, f"from {source}")  # type: ignore[arg-type]


# The pan axis


@pytest.mark.parametrize("name", ["row", "rows-3x5", "full-turn", "plain-top-row"])
def test_pan_axis_is_as_sure_as_it_says(name: str) -> None:
    off, stated = [], []
    for seed in range(50):
        spec = set_spec(name, megapixels=1.5, seed=seed)
        found = estimate_pan_axis([s.camera for s in plan_shots(spec)])
        off.append(_angle_deg(found.down, -pan_axis(spec)))
        stated.append(np.degrees(found.sigma))
    ratio = np.array(off) / np.array(stated)
    assert 0.5 < np.sqrt(np.mean(ratio**2)) < 2.0
    assert ratio.max() < 3.0


def test_camera_askew_on_the_head_moves_the_axis_little() -> None:
    spec = set_spec("full-turn", megapixels=1.5)
    cameras = [s.camera for s in plan_shots(spec)]
    askew = [c.with_rotation(rotation_z(-np.radians(2.0)) @ c.rotation) for c in cameras]
    plain, turned = estimate_pan_axis(cameras), estimate_pan_axis(askew)
    assert _angle_deg(plain.down, turned.down) < 0.03


def test_rows_at_different_pitches_need_not_be_level() -> None:
    spec = SetSpec(rows=2, columns=6, pitch_deg=-22.0, megapixels=1.5, scatter_deg=0.0)
    found = estimate_pan_axis([s.camera for s in plan_shots(spec)])
    assert _angle_deg(found.down, -pan_axis(spec)) < 0.02


@pytest.mark.parametrize("turned_round", [False, True])
def test_sweep_over_the_zenith_has_up_in_its_middle(turned_round: bool) -> None:
    cameras = []
    for lean in range(-10, 191, 20):
        back = lean > 90
        cameras.append(
            _camera(180.0, 180.0 - lean, 0.0) if back and turned_round else _camera(0.0, float(lean), 0.0)
        )
    found = estimate_pan_axis(
        [c.with_rotation(c.rotation @ matrix_from_vector([0.4, 0.2, 1.0])) for c in cameras]
    )
    assert _angle_deg(found.down, matrix_from_vector([0.4, 0.2, 1.0]).T @ DOWN) < 1.0
    assert np.degrees(found.sigma) > 5.0


# The sea's horizon


@pytest.fixture(scope="module")
def sea() -> tuple[SetSpec, list[Camera], FramesInMemory]:
    spec = set_spec("sea-horizon", megapixels=0.5)
    return spec, [s.camera for s in plan_shots(spec)], FramesInMemory(render_frames(spec))


def _tilt_deg(down: NDArray[np.float64], yaw_deg: float) -> tuple[float, float]:
    """Roll about the sight line to a yaw, and pitch along it."""
    t = np.radians(yaw_deg)
    ahead, right = np.array([np.sin(t), 0, np.cos(t)]), np.array([np.cos(t), 0, -np.sin(t)])
    return float(np.degrees(np.arcsin(down @ right))), float(np.degrees(np.arcsin(down @ ahead)))


def test_sea_horizon_gives_the_roll(sea: tuple[SetSpec, list[Camera], FramesInMemory]) -> None:
    spec, cameras, source = sea
    found = find_sea_horizon(source, range(len(cameras)), cameras, estimate_pan_axis(cameras))
    assert found is not None
    roll, pitch = _tilt_deg(found.down, spec.place.sea_yaw_deg)
    assert abs(roll) < 0.02  # the bar is 0.1
    assert abs(np.radians(pitch)) < 3.0 * found.sigma


def test_sea_horizon_names_itself_and_levels(sea: tuple[SetSpec, list[Camera], FramesInMemory]) -> None:
    spec, cameras, source = sea
    away = matrix_from_vector([0.3, -0.4, 0.2])
    turned = [c.with_rotation(c.rotation @ away.T) for c in cameras]
    turn, level = estimate_level(source, _frames(len(cameras)), range(len(cameras)), turned)
    assert level.source == "sea-horizon"
    assert "sea horizon" in level.words
    assert _angle_deg(away.T @ turn[1], DOWN) < 0.1
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) > 0.0
    yaws = [yaw_pitch_roll((c.rotation @ turn.T).T)[0] for c in turned]
    assert abs(min(yaws) + max(yaws)) < 1e-6  # yaw 0 is the middle of the field
    assert spec.tilt_deg == 3.0  # the pan axis is not what was found


def test_sea_over_half_a_turn_gives_the_whole_tilt() -> None:
    spec = set_spec("sea-horizon-180", megapixels=0.3, focal_mm=35.0, columns=8)
    cameras = [s.camera for s in plan_shots(spec)]
    source = FramesInMemory(render_frames(spec))
    found = find_sea_horizon(source, range(len(cameras)), cameras, estimate_pan_axis(cameras))
    assert found is not None
    assert _angle_deg(found.down, DOWN) < 0.05  # the bar is 0.1
    assert np.degrees(found.sigma) < 0.1


@pytest.mark.parametrize(("name", "focal", "seed"), [("row", 50.0, 0), ("plain-top-row", 24.0, 7)])
def test_skyline_is_no_sea_horizon(name: str, focal: float, seed: int) -> None:
    spec = set_spec(name, megapixels=0.5, focal_mm=focal, seed=seed)
    spec = replace(spec, place=replace(spec.place, sea_width_deg=0.0))
    cameras = [s.camera for s in plan_shots(spec)]
    source = FramesInMemory(render_frames(spec))
    axis = estimate_pan_axis(cameras)
    assert find_sea_horizon(source, range(len(cameras)), cameras, axis) is None
    assert find_verticals(source, range(len(cameras)), cameras, axis) is None
    turn, level = estimate_level(source, _frames(len(cameras)), range(len(cameras)), cameras)
    assert level.source == "pan-axis"
    assert "a head out of level stays in the picture" in level.words
    assert np.radians(_angle_deg(turn[1], -pan_axis(spec))) < 3.0 * level.sigma_rad


# Plumb lines


def _segments(rng: np.random.Generator, count: int, lean_deg: float, down: NDArray[np.float64]) -> Segments:
    """Segments about `down` with scatter, all over a field 100 degrees wide."""
    normals, middles = [], []
    for _ in range(count):
        yaw, pitch = np.radians([rng.uniform(-50, 50), rng.uniform(-20, 20)])
        middle = pose_matrix(yaw, pitch, 0.0) @ [0, 0, 1]
        normal = np.cross(middle, down)
        normal /= np.linalg.norm(normal)
        normals.append(matrix_from_vector(middle * np.radians(rng.normal(0, lean_deg))) @ normal)
        middles.append(middle)
    return Segments(np.array(normals), np.array(middles), np.full(count, np.radians(0.5)))


def test_plumb_lines_give_the_level() -> None:
    rng = np.random.default_rng(1)
    down = moved(DOWN, np.radians([2.0, -1.5]))
    lines, trees = _segments(rng, 60, 0.3, down), _segments(rng, 60, 8.0, down)
    both = Segments(*(np.concatenate([getattr(s, k) for s in (lines, trees)]) for k in Segments.__slots__))
    found = level_of_segments(both, _evidence("pan-axis", DOWN, (0.2, 0.2)))
    assert found is not None
    assert np.radians(_angle_deg(found.down, down)) < 3.0 * found.sigma
    assert np.degrees(found.sigma) < 0.5


@pytest.mark.parametrize("seed", range(6))
def test_trees_are_no_plumb_lines(seed: int) -> None:
    trees = _segments(np.random.default_rng(seed), 150, 7.0, DOWN)
    assert level_of_segments(trees, _evidence("pan-axis", DOWN, (0.2, 0.2))) is None


def test_lines_far_from_the_pan_axis_are_ignored() -> None:
    lines = _segments(np.random.default_rng(0), 80, 0.2, moved(DOWN, np.radians([0.0, 12.0])))
    assert level_of_segments(lines, _evidence("pan-axis", DOWN, (0.2, 0.2))) is None


# Tags


def test_tags_level_a_turn_whose_head_leant() -> None:
    rng = np.random.default_rng(3)
    cameras = [_camera(20.0 * k, 2.0 * np.sin(k) - 5.0, 1.5 * np.cos(k)) for k in range(9)]
    said = []
    for c in cameras:
        _, pitch, roll = np.degrees(yaw_pitch_roll(c.rotation.T))
        said.append(
            Metadata(
                1000, 1500, roll_deg=roll + rng.normal(0, 0.3) + 0.4, pitch_deg=pitch + rng.normal(0, 0.3)
            )
        )
    off = matrix_from_vector([0.05, 0.0, 0.03])
    leant = [c.with_rotation(c.rotation @ off.T) for c in cameras]
    found = level_of_tags(said, leant, estimate_pan_axis(leant))
    assert found is not None
    assert np.radians(_angle_deg(found.down, off @ DOWN)) < 3.0 * found.sigma
    assert np.degrees(found.sigma) < 0.7
    assert level_of_tags([Metadata(1000, 1500)] * 9, leant, estimate_pan_axis(leant)) is None


def test_tags_that_contradict_the_pictures_are_ignored() -> None:
    rng = np.random.default_rng(3)
    cameras = [_camera(20.0 * k, 0.0, 0.0) for k in range(9)]
    said = [
        Metadata(1000, 1500, roll_deg=rng.uniform(-40, 40), pitch_deg=rng.uniform(-40, 40)) for _ in cameras
    ]
    assert level_of_tags(said, cameras, estimate_pan_axis(cameras)) is None


# The person's word


def test_two_points_of_the_horizon_stand_above_all(sea: tuple[SetSpec, list[Camera], FramesInMemory]) -> None:
    _, cameras, source = sea
    wanted = moved(DOWN, np.radians([1.2, -0.8]))  # not where the sea's horizon is
    points = []
    for k in (0, 6):
        across = np.cross(np.cross(wanted, cameras[k].rotation[2]), wanted)
        (u, v), seen = cameras[k].project(across)
        assert seen
        points.append((k, float(u), float(v)))
    frames = _frames(len(cameras))
    turn, level = estimate_level(source, frames, range(len(cameras)), cameras, horizon_points=points)
    assert level.source == "person"
    assert _angle_deg(turn[1], wanted) < 1e-6
    assert level.sigma_rad < np.radians(0.3)
    _, level = estimate_level(source, frames, range(len(cameras)), cameras, horizon_points=points[:1])
    assert level.source == "sea-horizon"
    assert "two points" in level.words


def test_points_close_together_leave_the_roll_open() -> None:
    cameras = [_camera(20.0 * k, 0.0, 0.0) for k in range(3)]
    axis = estimate_pan_axis(cameras)
    used = [4, 5, 7]
    near = level_by_hand([(5, 490.0, 749.5), (5, 510.0, 749.5)], [], used, cameras, axis)
    far = level_by_hand([(4, 490.0, 749.5), (7, 510.0, 749.5)], [], used, cameras, axis)
    assert near is not None
    assert far is not None
    assert np.degrees(near.sigma) > 5.0
    assert np.degrees(far.sigma) < 0.2
    assert level_by_hand([(4, 1.0, 2.0), (6, 1.0, 2.0)], [], used, cameras, axis) is None


# Putting together


def test_evidence_is_weighted_by_its_sigmas() -> None:
    a = _evidence("tags", DOWN, (1.0, 1.0))
    b = _evidence("verticals", moved(DOWN, np.radians([0.0, 1.0])), (0.5, 0.5))
    both = combine([a, b])
    assert both.source == "verticals"
    assert _angle_deg(both.down, b.down) == pytest.approx(0.2, abs=1e-4)  # 1 : 4
    assert np.degrees(both.sigma) == pytest.approx((2.0 / 5.0) ** 0.5, rel=1e-3)


def test_evidence_fills_what_the_person_leaves_open() -> None:
    word = _evidence("person", DOWN, (0.05, 20.0))
    axis = _evidence("pan-axis", moved(DOWN, np.radians([0.0, 3.0])), (2.0, 2.0))
    both = combine([axis, word])
    step = np.degrees(step_to(DOWN, both.down))
    assert both.source == "person"
    assert abs(step[0]) < 1e-3
    assert step[1] == pytest.approx(3.0, abs=0.1)


def test_plumb_lines_have_a_veto_on_a_false_horizon() -> None:
    lines = _evidence("verticals", DOWN, (0.3, 0.3))
    false = _evidence("sea-horizon", moved(DOWN, np.radians([4.0, 0.0])), (0.02, 0.02))
    both = combine([false, lines])
    assert both.source == "verticals"
    assert _angle_deg(both.down, DOWN) < 1e-6
    assert "sea horizon contradicts it" in both.words


def test_full_turn_has_yaw_0_at_its_middle_frame() -> None:
    cameras = [_camera(200.0 + 30.0 * k, 0.0, 0.0, 1000.0) for k in range(12)]
    turn, level = estimate_level(_blank(cameras), _frames(12), range(12), cameras)
    assert level.source == "pan-axis"
    assert yaw_pitch_roll((cameras[6].rotation @ turn.T).T)[0] == pytest.approx(0.0, abs=1e-9)
