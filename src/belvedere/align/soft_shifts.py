"""Two frames registered finely by soft texture: many patches that agree make a few exact shifts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.align.remeasure import Measured
from belvedere.align.soft_texture import Shift
from belvedere.align.soft_ties import measure_softly, soft_level
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import matrix_from_vector

# Common practice, no published source; checked on simulated clouds, still and drifting.
_LEAST = 10  # patches that tell the same; of noise alone not two of a hundred do
_AGREE = 0.6  # share of all that are found
_WITHIN = 1.0  # px of the level, or three sigmas
_OF_EACH = 15  # patches of a shift; at most three shifts along an overlap tell a roll too
_LEAST_SIGMA_PX = 0.05  # of the level


def measure_shifts(
    source: FrameSource, pair: tuple[int, int], cameras: tuple[Camera, Camera], search_px: float
) -> list[Shift]:
    """Register two frames by patches; empty where too few of them agree.

    Parameters
    ----------
    cameras : tuple of 2 Camera
        Right against each other to within `search_px` px of the full frames.
    """
    scale = 2.0 ** soft_level(source, pair)
    measured = measure_softly(source, pair, cameras, max(3, int(np.ceil(search_px / scale)) + 1))
    agree = _agreeing(measured, cameras, scale)
    if agree is None:
        return []
    at_a, at_b = measured.a[agree], measured.b[agree]
    off = _offsets(at_a, at_b, cameras)
    middle = np.median(off, axis=0)
    spread = 1.4826 * float(np.median(np.abs(off - middle)))
    along = int(np.argmax(np.ptp(at_a, axis=0)))
    parts = np.array_split(np.argsort(at_a[:, along], kind="stable"), max(1, min(3, len(at_a) // _OF_EACH)))
    a, b = pair
    shifts = []
    for part in parts:
        at = at_a[part].mean(axis=0)
        there = cameras[1].project(cameras[0].rays(at[None]))[0][0] + np.median(off[part], axis=0)
        sigma = max(1.2533 * spread / np.sqrt(len(part)), _LEAST_SIGMA_PX * scale)  # of a median
        shifts.append(Shift(a, b, at, there, sigma / cameras[1].focal_px))
    return shifts


def brought_together(shift: Shift, cameras: tuple[Camera, Camera]) -> tuple[Camera, Camera]:
    """The same two cameras, the second turned so that both have the shift in one direction."""
    a, b = cameras
    here, there = a.rays(shift.at_a[None])[0], b.rays(shift.at_b[None])[0]
    axis = np.cross(here, there)
    length = float(np.linalg.norm(axis))
    if length <= 0.0:
        return cameras
    turn = matrix_from_vector(axis / length * np.arctan2(length, float(here @ there)))
    return a, b.with_rotation(b.rotation @ turn)


def _offsets(
    at_a: NDArray[np.float64], at_b: NDArray[np.float64], cameras: tuple[Camera, Camera]
) -> NDArray[np.float64]:
    """How far from where the cameras say frame b has what frame a has, px: (n, 2)."""
    return np.asarray(at_b - cameras[1].project(cameras[0].rays(at_a))[0])


def _agreeing(measured: Measured, cameras: tuple[Camera, Camera], scale: float) -> NDArray[np.int64] | None:
    """Patches that tell the same shift; None where these are too few of all."""
    if len(measured.a) < _LEAST:
        return None
    off = _offsets(measured.a, measured.b, cameras)
    away = np.abs(off - np.median(off, axis=0)).max(axis=1)
    agree = np.flatnonzero(away < np.maximum(_WITHIN * scale, 3.0 * measured.sigma))
    return agree if len(agree) >= max(_LEAST, _AGREE * len(off)) else None
