"""Where every frame of a set looks, when, and with which settings: the shoot, planned before any pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.exposing import Exposing
from belvedere.demo.faults import Fault, settings_ev
from belvedere.demo.spec import SetSpec
from belvedere.geometry.camera import Camera
from belvedere.geometry.orientation import display_axes, is_sideways
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix, rotation_x, rotation_y

_BURST_S = 0.4  # from exposure to exposure of a bracket


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
    pose : int
        Which pose of the set, in the order shot; the exposures of a bracket share it.
    fault : Fault
        What goes wrong in this frame.
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
    pose: int = 0
    fault: Fault = field(default_factory=Fault)


def drifted(spec: SetSpec, shot: Shot) -> tuple[float, float]:
    """How far the clouds have moved when a shot is made, in units of the cloud sheet."""
    seconds = spec.started_s + shot.seconds
    return spec.cloud_drift[0] * seconds, spec.cloud_drift[1] * seconds


def pan_axis(spec: SetSpec) -> NDArray[np.float64]:
    """Unit vector up along the pan axis, in the world."""
    return np.asarray(_head(spec) @ np.array([0.0, -1.0, 0.0]))


def plan_shots(spec: SetSpec) -> tuple[Shot, ...]:
    """Plan a set: its frames in the order shot.

    Raises
    ------
    ValueError
        If the spec has no frame left, or a stray or a fault that is not in the set.
    """
    cells = [cell for cell in spec.order.cells(spec.rows, spec.columns) if cell not in spec.omit]
    if not cells:
        raise ValueError("a set needs at least one frame: rows, columns and omit leave none")
    frames = len(cells) * len(spec.bracket_ev)
    if spec.stray is not None and not 0 <= spec.stray < frames:
        raise ValueError(f"stray must be a frame of the set, 0 to {frames - 1}, got {spec.stray}")
    faults = {fault.frame: fault for fault in spec.faults}
    for index in faults:
        if not 0 <= index < frames:
            raise ValueError(f"a fault must be in a frame of the set, 0 to {frames - 1}, got {index}")
    rng = np.random.default_rng([spec.seed, 0x5E7])
    scatter = rng.normal(0.0, math.radians(spec.scatter_deg), (len(cells), 3)) * np.array([1.0, 1.0, 0.5])
    tint = 1.0 + spec.white_balance_sigma * rng.normal(0.0, 1.0, (len(cells), 2))
    poses = _poses(spec, cells, scatter)
    shots = []
    for k in range(frames):
        i, exposure = divmod(k, len(spec.bracket_ev))
        fault = faults.get(k, Fault(k))
        pose = poses[i] @ pose_matrix(*np.radians([fault.yaw_deg, fault.pitch_deg, fault.roll_deg]))
        orientation = spec.orientations[i % len(spec.orientations)]
        told = spec.exposure_ev[i % len(spec.exposure_ev)] + spec.bracket_ev[exposure] + fault.exposure_ev
        ev = told + settings_ev(fault) + spec.drift_ev[i % len(spec.drift_ev)] + fault.untold_ev
        red, blue = fault.white_balance
        rows_before = len({r for r, _ in cells[: i + 1]}) - 1
        centre = pose @ np.array([0.0, 0.0, spec.pupil_offset_mm / 1000.0])
        shots.append(
            Shot(
                camera=_camera(spec, orientation, pose, fault.focal_factor),
                row=cells[i][0],
                column=cells[i][1],
                orientation=orientation,
                seconds=i * spec.seconds_per_frame + rows_before * spec.row_pause_s + exposure * _BURST_S,
                centre_m=(float(centre[0]), float(centre[1]), float(centre[2])),
                exposing=_exposing(spec, k, ev, (float(tint[i, 0]) * red, 1.0, float(tint[i, 1]) * blue)),
                exposure_ev=float(told),
                gain=2.0**ev,
                white_balance=(float(tint[i, 0]) * red, 1.0, float(tint[i, 1]) * blue),
                belongs=k != spec.stray,
                pose=i,
                fault=fault,
            )
        )
    evs = [math.log2(s.gain) for s in shots if s.belongs]
    mean = 2.0 ** float(np.mean(evs)) if evs else 1.0
    return tuple(replace(s, gain=s.gain / mean) for s in shots)


def _poses(
    spec: SetSpec, cells: list[tuple[int, int]], scatter: NDArray[np.float64]
) -> list[NDArray[np.float64]]:
    """Camera-to-world rotation of every pose."""
    step, row_step = steps_rad(spec)
    head = _head(spec)
    out = []
    for i, (r, c) in enumerate(cells):
        along = c - (spec.columns - 1) / 2.0
        yaw = math.radians(spec.yaw_deg) + along * step + scatter[i, 0]
        pitch = math.radians(spec.pitch_deg) - (r - (spec.rows - 1) / 2.0) * row_step + scatter[i, 1]
        pitch += along / max(spec.columns - 1, 1) * math.radians(spec.tilt_drift_deg)
        out.append(head @ pose_matrix(yaw, pitch, scatter[i, 2]))
    return out


def _exposing(spec: SetSpec, frame: int, ev: float, white_balance: tuple[float, float, float]) -> Exposing:
    """How the body exposes one frame."""
    level = spec.brightness * 2.0**ev
    red, _, blue = white_balance
    return Exposing(
        factors=(level * red, level, level * blue),
        vignetting=spec.lens.vignetting,
        contrast=spec.body.contrast,
        full_well=spec.body.full_well,
        read_noise=spec.body.read_noise,
        noise_seed=(spec.seed * 7919 + frame * 104729 + 1) & 0x7FFFFFFF,
    )


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


def _camera(spec: SetSpec, orientation: int, pose: NDArray[np.float64], focal_factor: float) -> Camera:
    """The camera of displayed pixels: the sensor's principal point seen through the frame's orientation."""
    width, height = spec.stored_size
    per_mm = width / spec.body.sensor_mm[0]
    offset = display_axes(orientation) @ (np.array(spec.lens.principal_offset_mm) * per_mm)
    if is_sideways(orientation):
        width, height = height, width
    return Camera(
        width=width,
        height=height,
        focal_px=spec.focal_px * focal_factor,
        principal_point=(float((width - 1) / 2.0 + offset[0]), float((height - 1) / 2.0 + offset[1])),
        distortion=spec.lens.distortion,
        rotation_wxyz=quaternion_from_matrix(pose.T),
    )
