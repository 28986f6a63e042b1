"""The field of view of a set of cameras from a plate's pose: how wide, how high, where its middle is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera

_PER_SIDE = 64  # points along each side of a frame's border
_TOUCH = 1e-6  # rad: intervals of yaw closer than this are one


@dataclass(frozen=True, slots=True)
class Field:
    """What a set of cameras sees, in the yaw and pitch of a pose (radians).

    Parameters
    ----------
    yaw : float
        Middle of the field: opposite the middle of the largest gap in yaw; 0 for a full turn.
    wide : float
        2 pi minus the largest gap.
    low, high : float
        Lowest and highest pitch, -pi/2 to pi/2.
    full_turn : bool
        Whether there is no gap in yaw.
    rays : ndarray of shape (n, 3)
        Unit directions along the borders of all frames, in the pose's axes.
    """

    yaw: float
    wide: float
    low: float
    high: float
    full_turn: bool
    rays: NDArray[np.float64]

    @property
    def tall(self) -> float:
        """Extent in pitch, rad."""
        return self.high - self.low

    @property
    def steepest(self) -> float:
        """Largest pitch up or down, rad."""
        return max(self.high, -self.low)


def measure_field(cameras: Sequence[Camera], pose: NDArray[np.float64]) -> Field:
    """Measure what cameras see in the axes of a pose (3 x 3, pose to world).

    A frame is a convex cone smaller than a half-space, so its border bounds it in yaw and pitch unless a
    pole lies inside: then its border winds once about the pole, and it covers every yaw.
    """
    spans: list[tuple[float, float]] = []
    low, high = math.inf, -math.inf
    all_rays = []
    for camera in cameras:
        rays = border_rays(camera) @ pose
        all_rays.append(rays)
        yaw = np.unwrap(np.arctan2(rays[:, 0], rays[:, 2]))
        pitch = np.arctan2(-rays[:, 1], np.hypot(rays[:, 0], rays[:, 2]))
        low, high = min(low, float(pitch.min())), max(high, float(pitch.max()))
        if abs(float(yaw[-1] - yaw[0])) > math.pi:
            spans.append((0.0, 2.0 * math.pi))
            if float(rays[:, 1].mean()) < 0.0:
                high = math.pi / 2
            else:
                low = -math.pi / 2
        else:
            start = float(yaw.min()) % (2.0 * math.pi)
            spans.append((start, start + float(yaw.max() - yaw.min())))
    gap_from, gap = _largest_gap(spans)
    full = gap <= _TOUCH
    middle = 0.0 if full else _folded(gap_from + gap / 2.0 + math.pi)
    return Field(middle, 2.0 * math.pi - gap, low, high, full, np.concatenate(all_rays))


def border_rays(camera: Camera) -> NDArray[np.float64]:
    """Unit world directions along the closed outline of the frame's pixel areas: (4 n + 1, 3)."""
    t = np.linspace(0.0, 1.0, _PER_SIDE, endpoint=False)
    left, top, right, bottom = -0.5, -0.5, camera.width - 0.5, camera.height - 0.5
    x, y = left + t * (right - left), top + t * (bottom - top)
    points = np.concatenate(
        [
            np.stack([x, np.full_like(x, top)], axis=-1),
            np.stack([np.full_like(y, right), y], axis=-1),
            np.stack([left + right - x, np.full_like(x, bottom)], axis=-1),
            np.stack([np.full_like(y, left), top + bottom - y], axis=-1),
            np.array([[left, top]]),
        ]
    )
    return camera.rays(points)


def _largest_gap(spans: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """(start, length) of the largest part of the circle no span covers; length 0 if none.

    Spans (start, end) have 0 <= start < 2 pi and start <= end.
    """
    turn = 2.0 * math.pi
    best_from, best = 0.0, 0.0
    reach = max(end for _, end in spans) - turn  # what reaches in from the turn before
    for start, end in sorted(spans):
        if start - reach > best:
            best_from, best = reach, start - reach
        reach = max(reach, end)
    return best_from % turn, best


def _folded(angle: float) -> float:
    """The same angle in (-pi, pi]."""
    return math.pi - (math.pi - angle) % (2.0 * math.pi)
