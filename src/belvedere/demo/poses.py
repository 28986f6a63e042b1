"""Where every frame of a set looks, when, and with which settings: the shoot, planned before any pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.exposing import Exposing
from belvedere.demo.spec import SetSpec
from belvedere.geometry.camera import Camera
from belvedere.geometry.orientation import display_axes, is_sideways
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix, rotation_x, rotation_y


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame as it will be shot.

    Parameters
    ----------
    camera : Camera
        Displayed pixels, world to camera.
    row, column : int
        Place in the grid.
    orientation : int
        Exif Orientation.
    seconds : float
        Since the first frame.
    centre_m : tuple of 3 float
        Entrance pupil, m, from where the pan axis and the sight line meet.
    exposing : Exposing
        Light to codes.
    exposure_ev : float
        Stops as told in Exif, against the set's base.
    gain : float
        Factor on linear light, geometric mean 1 over the frames that belong.
    white_balance : tuple of 3 float
        Likewise, green 1.
    belongs : bool
        False for a stray.
    """

    camera: Camera
    row: int
    column: int
    orientation: int
    seconds: float
    centre_m: tuple[float, float, float]
    exposing: Exposing
    exposure_ev: float
    gain: float
    white_balance: tuple[float, float, float]
    belongs: bool


def pan_axis(spec: SetSpec) -> NDArray[np.float64]:
    """Unit vector up along the pan axis, in the world."""
    return np.asarray(_head(spec) @ np.array([0.0, -1.0, 0.0]))


def plan_shots(spec: SetSpec) -> tuple[Shot, ...]:
    """Plan a set: rows from top to bottom, every row from left to right.

    Raises
    ------
    ValueError
        If the spec has no frame left, or a stray that is not in the set.
    """
    cells = [(r, c) for r in range(spec.rows) for c in range(spec.columns) if (r, c) not in spec.omit]
    if not cells:
        raise ValueError("a set needs at least one frame: rows, columns and omit leave none")
    if spec.stray is not None and not 0 <= spec.stray < len(cells):
        raise ValueError(f"stray must be a frame of the set, 0 to {len(cells) - 1}, got {spec.stray}")
    rng = np.random.default_rng([spec.seed, 0x5E7])
    scatter = rng.normal(0.0, math.radians(spec.scatter_deg), (len(cells), 3)) * np.array([1.0, 1.0, 0.5])
    tint = 1.0 + spec.white_balance_sigma * rng.normal(0.0, 1.0, (len(cells), 2))
    told = np.array([spec.exposure_ev[i % len(spec.exposure_ev)] for i in range(len(cells))])
    untold = np.array([spec.drift_ev[i % len(spec.drift_ev)] for i in range(len(cells))])
    step, row_step = steps_rad(spec)
    head = _head(spec)
    belongs = [i != spec.stray for i in range(len(cells))]
    mean_ev = float(np.mean((told + untold)[belongs])) if any(belongs) else 0.0
    shots = []
    for i, (r, c) in enumerate(cells):
        yaw = math.radians(spec.yaw_deg) + (c - (spec.columns - 1) / 2.0) * step + scatter[i, 0]
        pitch = math.radians(spec.pitch_deg) - (r - (spec.rows - 1) / 2.0) * row_step + scatter[i, 1]
        pose = head @ pose_matrix(yaw, pitch, scatter[i, 2])
        orientation = spec.orientations[i % len(spec.orientations)]
        centre = pose @ np.array([0.0, 0.0, spec.pupil_offset_mm / 1000.0])
        wb = (float(tint[i, 0]), 1.0, float(tint[i, 1]))
        ev = float(told[i] + untold[i])
        level = spec.brightness * 2.0**ev
        shots.append(
            Shot(
                camera=_camera(spec, orientation, pose),
                row=r,
                column=c,
                orientation=orientation,
                seconds=i * spec.seconds_per_frame,
                centre_m=(float(centre[0]), float(centre[1]), float(centre[2])),
                exposing=Exposing(
                    factors=(level * wb[0], level, level * wb[2]),
                    vignetting=spec.lens.vignetting,
                    contrast=spec.body.contrast,
                    full_well=spec.body.full_well,
                    read_noise=spec.body.read_noise,
                    noise_seed=(spec.seed * 7919 + i * 104729 + 1) & 0x7FFFFFFF,
                ),
                exposure_ev=float(told[i]),
                gain=2.0 ** (ev - mean_ev),
                white_balance=wb,
                belongs=belongs[i],
            )
        )
    return tuple(shots)


def steps_rad(spec: SetSpec) -> tuple[float, float]:
    """Turn from column to column and from row to row, radians.

    From an overlap: frames of angle of view a that share the part p of their width turn by
    2 atan((1 - p) tan(a / 2)): at the sight line's height they then share p of the picture's width, about.
    """
    width, height = spec.stored_size
    sides = [(height, width) if is_sideways(o) else (width, height) for o in spec.orientations]
    half_w = min(s[0] for s in sides) / 2.0 / spec.focal_px
    half_h = min(s[1] for s in sides) / 2.0 / spec.focal_px
    step = 2.0 * math.atan((1.0 - spec.overlap) * half_w)
    row_step = 2.0 * math.atan((1.0 - spec.row_overlap) * half_h)
    if spec.full_turn:
        step = 2.0 * math.pi / spec.columns
    elif spec.step_deg is not None:
        step = math.radians(spec.step_deg)
    if spec.row_step_deg is not None:
        row_step = math.radians(spec.row_step_deg)
    return step, row_step


def _head(spec: SetSpec) -> NDArray[np.float64]:
    """The rotation that leans the head: the pan axis tilts by tilt_deg towards tilt_azimuth_deg."""
    azimuth = math.radians(spec.tilt_azimuth_deg)
    lean = rotation_x(-math.radians(spec.tilt_deg))
    return np.asarray(rotation_y(azimuth) @ lean @ rotation_y(-azimuth))


def _camera(spec: SetSpec, orientation: int, pose: NDArray[np.float64]) -> Camera:
    """The camera of displayed pixels: the sensor's principal point seen through the frame's orientation."""
    width, height = spec.stored_size
    per_mm = width / spec.body.sensor_mm[0]
    offset = display_axes(orientation) @ (np.array(spec.lens.principal_offset_mm) * per_mm)
    if is_sideways(orientation):
        width, height = height, width
    return Camera(
        width=width,
        height=height,
        focal_px=spec.focal_px,
        principal_point=(float((width - 1) / 2.0 + offset[0]), float((height - 1) / 2.0 + offset[1])),
        distortion=spec.lens.distortion,
        rotation_wxyz=quaternion_from_matrix(pose.T),
    )
