"""Seams, spline and sampler together: what a photographer would see."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.blend import blend_levels, render_tile
from belvedere.compose.light import plain_light
from belvedere.compose.owners_at import owners_at
from belvedere.compose.seams import Seams, estimate_seams, owners
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix

FOCAL, WIDTH, HEIGHT = 300.0, 240, 320


def world(directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smooth light of every direction, 0 to 1, three channels."""
    x, y, z = np.moveaxis(directions, -1, 0)
    waves = [np.sin(23 * x + 3 * k) + np.sin(31 * y + k) + np.sin(27 * z + 17 * x * y) for k in range(3)]
    return 0.4 + 0.1 * np.stack(waves, axis=-1)


def camera(yaw: float, pitch: float) -> Camera:
    turned = quaternion_from_matrix(pose_matrix(yaw, pitch, 0.02).T)
    return Camera(WIDTH, HEIGHT, FOCAL, (120.3, 158.8), (-0.04, 0.0, 0.0), turned)


def exposed(cam: Camera, gain: float) -> NDArray[np.uint16]:
    u, v = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    light = world(cam.rays(np.stack([u, v], axis=-1)))
    return np.rint(np.clip(light * gain, 0, 1) * 65535).astype(np.uint16)


def scene(gains: tuple[float, ...] = (1.0, 1.0, 1.0)) -> tuple[FramesInMemory, list[Camera], Plate, Seams]:
    cameras = [camera(-0.5, 0.02), camera(0.0, -0.03), camera(0.5, 0.05)]
    source = FramesInMemory([exposed(c, g) for c, g in zip(cameras, gains, strict=True)])
    plate = Plate("cylindrical", 560, 400, FOCAL, (280.4, 200.2))
    return source, cameras, plate, estimate_seams(source, cameras, [plain_light(c) for c in cameras], plate)


def test_the_picture_is_the_world() -> None:
    source, cameras, plate, seams = scene()
    lights = [plain_light(c) for c in cameras]
    piece = render_tile(
        source, cameras, lights, plate, owners_at(seams, plate, cameras), 3, 0, 0, plate.width, plate.height
    )
    x, y = np.meshgrid(np.arange(plate.width), np.arange(plate.height))
    truth = world(plate.directions(np.stack([x, y], axis=-1)))
    covered = piece.coverage > 0
    assert covered.mean() > 0.6
    union = np.any([c.project(plate.directions(np.stack([x, y], axis=-1)))[1] for c in cameras], axis=0)
    np.testing.assert_array_equal(covered, union)
    error = np.abs(piece.colour - truth)[covered]
    assert np.quantile(error, 0.99) < 1e-3
    assert error.max() < 0.006  # at the ragged edge, where the frames' own border pixels end


def test_a_step_of_exposure_leaves_no_edge() -> None:
    source, cameras, plate, seams = scene((1.0, 1.1, 1.0))
    lights = [plain_light(c) for c in cameras]
    levels = blend_levels(plate, cameras)
    at = owners_at(seams, plate, cameras)
    hard, soft = (
        render_tile(source, cameras, lights, plate, at, n, 0, 0, plate.width, plate.height)
        for n in (0, levels)
    )
    x, y = np.meshgrid(np.arange(plate.width), np.arange(plate.height))
    truth = world(plate.directions(np.stack([x, y], axis=-1)))
    labels = owners(seams, plate, cameras, 0, 0, plate.width, plate.height)
    at_seam = (labels[:, 1:] != labels[:, :-1]) & (labels[:, 1:] >= 0) & (labels[:, :-1] >= 0)
    jumps = []
    for piece in (hard, soft):
        off = np.log2(np.maximum(piece.colour[..., 1], 1e-6) / truth[..., 1])
        jumps.append(np.abs(np.diff(off, axis=1))[at_seam])
    assert np.median(jumps[0]) > 0.1
    assert np.quantile(jumps[1], 0.95) < 0.03


@pytest.mark.parametrize("step", [2, 4, 16, 64])
def test_owners_of_a_copy_are_those_of_the_plate(step: int) -> None:
    _, cameras, plate, seams = scene()
    whole = owners(seams, plate, cameras, 0, 0, plate.width, plate.height)[::step, ::step]
    height, width = whole.shape
    at = owners_at(seams, plate, cameras)
    np.testing.assert_array_equal(at(0, 0, width, height, step), whole)
    np.testing.assert_array_equal(at(1, 2, width - 2, height - 3, step), whole[2:-1, 1:-1])


def test_cameras_may_be_fewer_than_the_sources_frames() -> None:
    source, cameras, plate, seams = scene()
    lights = [plain_light(c) for c in cameras]
    at = owners_at(seams, plate, cameras)
    more = FramesInMemory([np.zeros((60, 60, 3), np.uint8), *[source.whole(f, 0) for f in range(3)]])
    a = render_tile(source, cameras, lights, plate, at, 3, 100, 50, 200, 100)
    b = render_tile(more, cameras, lights, plate, at, 3, 100, 50, 200, 100, frames=[1, 2, 3])
    np.testing.assert_array_equal(a.colour, b.colour)


def test_a_full_turn_has_no_edge_at_its_ends() -> None:
    width = 1920
    plate = Plate("equirectangular", width, 300, width / (2 * math.pi), (0.0, 150.0), wraps=True)
    cameras = [camera(2 * math.pi * k / 14, 0.0) for k in range(14)]
    source = FramesInMemory([exposed(c, 1.0 + 0.03 * (k % 2)) for k, c in enumerate(cameras)])
    lights = [plain_light(c) for c in cameras]
    seams = estimate_seams(source, cameras, lights, plate)
    levels = blend_levels(plate, cameras)
    at = owners_at(seams, plate, cameras)
    ends = render_tile(source, cameras, lights, plate, at, levels, width - 32, 80, 64, 140)
    x, y = np.meshgrid(np.arange(width - 32, width + 32) % width, np.arange(80, 220))
    truth = world(plate.directions(np.stack([x, y], axis=-1)))
    jumps = np.abs(np.diff(np.log2(ends.colour / truth), axis=1))
    assert ends.coverage.min() == 1.0
    assert jumps.max() < 0.03
