"""A small world for the tests of plate and seams: a smooth texture, and discs that come and go."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.light import FrameLight, plain_light
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import direction, pose_matrix, quaternion_from_matrix

WIDTH, HEIGHT, FOCAL = 240, 180, 220.0


def camera(
    yaw_deg: float,
    pitch_deg: float = 0.0,
    roll_deg: float = 0.0,
    *,
    width: int = WIDTH,
    height: int = HEIGHT,
    focal: float = FOCAL,
    k1: float = 0.0,
) -> Camera:
    """A camera looking there, degrees."""
    pose = pose_matrix(*(math.radians(a) for a in (yaw_deg, pitch_deg, roll_deg)))
    centre = ((width - 1) / 2, (height - 1) / 2)
    return Camera(width, height, focal, centre, (k1, 0.0, 0.0), quaternion_from_matrix(pose.T))


@dataclass(frozen=True)
class Disc:
    """A thing that only some frames show: degrees, and the frames."""

    yaw: float
    pitch: float
    radius: float
    frames: tuple[int, ...]
    light: tuple[float, float, float] = (0.9, 0.1, 0.1)

    def holds(self, rays: NDArray[np.float64], grown: float = 0.0) -> NDArray[np.bool_]:
        """Which directions (..., 3) lie on it, its radius grown by some degrees."""
        axis = direction(math.radians(self.yaw), math.radians(self.pitch))
        return np.asarray(rays @ axis >= math.cos(math.radians(self.radius + grown)))


def shoot(
    cameras: Sequence[Camera], discs: Sequence[Disc] = (), *, noise: float = 0.0, gains: Sequence[float] = ()
) -> tuple[FramesInMemory, list[FrameLight]]:
    """Frames of the world as 16-bit linear codes, and the light that undoes their gains."""
    frames = []
    for k, cam in enumerate(cameras):
        v, u = np.mgrid[0 : cam.height, 0 : cam.width].astype(float)
        rays = cam.rays(np.stack([u, v], axis=-1))
        x, y, z = rays[..., 0], rays[..., 1], rays[..., 2]
        light = np.stack(
            [
                0.30 + 0.1 * np.sin(9 * x + 4 * y),
                0.35 + 0.1 * np.sin(7 * y - 5 * z),
                0.3 + 0.1 * np.sin(11 * z),
            ],
            -1,
        )
        for disc in discs:
            if k in disc.frames:
                light[disc.holds(rays)] = disc.light
        if noise > 0.0:
            light = light + np.random.default_rng(k).normal(0.0, noise, light.shape)
        gain = gains[k] if gains else 1.0
        frames.append(np.clip(light * gain * 65535.0 * 0.8 + 0.5, 0, 65535).astype(np.uint16))
    lights = [plain_light(c, gain=(gains[k] if gains else 1.0) * 0.8) for k, c in enumerate(cameras)]
    return FramesInMemory(frames), lights
