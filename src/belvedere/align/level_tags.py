"""Roll and pitch as the camera measured them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_evidence import Evidence, moved, tangent
from belvedere.capture.frame import Metadata
from belvedere.geometry.camera import Camera

# A camera's own level: scatter from frame to frame, and what it is off by in all frames, one sigma. Common
# practice, no published source.
_SCATTER = np.radians(0.4)
_BIAS = np.radians(0.5)
_USELESS = np.radians(3.0)  # RMS residual above which the tags contradict the pictures


def level_of_tags(
    metadata: Sequence[Metadata], cameras: Sequence[Camera], rough: Evidence
) -> Evidence | None:
    """Gravity from the roll and pitch tags, or None where there are none or they contradict the cameras.

    Unknowns are gravity and what the sensor is off by in roll and pitch; over a turn they part.

    Parameters
    ----------
    metadata : sequence of Metadata
        One a camera; frames without tags have no say.
    rough : Evidence
        Where to start; it has no weight.
    """
    axes = np.stack([c.rotation for c in cameras])
    pitch = _radians([m.pitch_deg for m in metadata])
    roll = _radians([m.roll_deg for m in metadata])
    with_pitch = np.isfinite(pitch)
    # Far from the horizon roll says nothing of its own, and without a pitch it would have to be guessed.
    with_roll = np.isfinite(roll) & ~(np.abs(pitch) > np.radians(75.0))
    n = int(np.count_nonzero(with_pitch | with_roll))
    if n == 0:
        return None
    down, bias, scatter = rough.down, np.zeros(2), _SCATTER
    covariance = np.eye(2)
    for _ in range(12):
        t = tangent(down)
        flat = np.hypot(axes[:, 0] @ down, axes[:, 1] @ down)
        flat = np.maximum(flat, 0.05)
        lean = np.arcsin(np.clip(-axes[:, 2] @ down, -1.0, 1.0)) - pitch - bias[0]
        tilt = np.arctan2(axes[:, 0] @ down, axes[:, 1] @ down) - roll - bias[1]
        tilt = (tilt + np.pi) % (2.0 * np.pi) - np.pi
        d_lean = -(axes[:, 2] @ t.T) / flat[:, None]
        cross = (axes[:, 1] @ down)[:, None] * (axes[:, 0] @ t.T)
        cross -= (axes[:, 0] @ down)[:, None] * (axes[:, 1] @ t.T)
        d_tilt = cross / flat[:, None] ** 2
        ones, zeros = -np.ones((len(axes), 1)), np.zeros((len(axes), 1))
        rows = np.concatenate(
            [np.hstack([d_lean, ones, zeros])[with_pitch], np.hstack([d_tilt, zeros, ones])[with_roll]]
        )
        residual = np.concatenate([lean[with_pitch], tilt[with_roll]])
        weight = np.minimum(1.0, 3.0 * scatter / np.maximum(np.abs(residual), 1e-12))  # Huber
        normal = (rows * weight[:, None]).T @ rows / scatter**2
        normal += np.diag([1e-6, 1e-6, _BIAS**-2, _BIAS**-2])
        gradient = (rows * weight[:, None]).T @ residual / scatter**2
        gradient[2:] += bias * _BIAS**-2
        inverse = np.linalg.inv(normal)
        step = -inverse @ gradient
        down = moved(down, step[:2] * min(1.0, 0.5 / max(float(np.linalg.norm(step[:2])), 1e-12)))
        bias = bias + step[2:]
        covariance = inverse[:2, :2]
        left = residual + rows @ step
        scatter = float(np.sqrt((4.0 * _SCATTER**2 + weight * left @ left) / (4.0 + max(len(left) - 2, 0))))
    if scatter > _USELESS:
        return None
    t = tangent(down)
    frames = "1 frame" if n == 1 else f"{n} frames"
    return Evidence("tags", down, t.T @ covariance @ t, f"from the camera's own level, tagged in {frames}")


def _radians(degrees: Sequence[float | None]) -> NDArray[np.float64]:
    return np.radians(np.array([np.nan if d is None else d for d in degrees], dtype=np.float64))
