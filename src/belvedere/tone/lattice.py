"""A lattice of world directions, the same for every frame, so that frames share samples by number.

Because the lattice hangs in the world and not on a frame, what two frames compare does not depend on which
of them is called first, and a direction's light is read once per frame however many frames overlap there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera

_BORDER_POINTS = 49  # positions looked at along each side of a frame


@dataclass(frozen=True, slots=True)
class Lattice:
    """Rings of equal pitch steps; on each ring equal yaw steps of about the same angle.

    Parameters
    ----------
    rings : int
        Ring j lies at pitch -pi/2 + (j + 0.5) pi / rings.
    counts : ndarray of int64, shape (rings,)
        Directions on each ring; direction k lies at yaw -pi + (k + 0.5) 2 pi / count.
    first : ndarray of int64, shape (rings,)
        Number of each ring's direction 0.
    """

    rings: int
    counts: NDArray[np.int64]
    first: NDArray[np.int64]


def lattice_for(cameras: Sequence[Camera], per_frame: int) -> Lattice:
    """The lattice that gives the frames about `per_frame` directions each.

    Where fields of view differ, the smallest decides, but no more than 9 `per_frame` fall on the largest.
    """
    areas = [c.width * c.height / c.focal_px**2 for c in cameras]
    step = math.sqrt(max(min(areas), max(areas) / 9.0) / per_frame)
    rings = max(4, math.ceil(math.pi / step))
    pitch = -math.pi / 2 + (np.arange(rings) + 0.5) * math.pi / rings
    counts = np.maximum(1, np.rint(2.0 * rings * np.cos(pitch))).astype(np.int64)
    return Lattice(rings, counts, np.cumsum(counts) - counts)


def directions_near(lattice: Lattice, camera: Camera) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Numbers (m,), ascending, and unit directions (m, 3) of the lattice around all that a camera sees."""
    low, high, left, right, centre = _extent(camera)
    ring_step = math.pi / lattice.rings
    j0 = max(0, math.floor((low + math.pi / 2) / ring_step) - 1)
    j1 = min(lattice.rings, math.ceil((high + math.pi / 2) / ring_step) + 1)
    ring = np.arange(j0, j1)
    count = lattice.counts[ring]
    yaw_step = 2.0 * math.pi / count
    k0 = np.floor((centre + left + math.pi) / yaw_step - 0.5).astype(np.int64)
    number = np.ceil((right - left) / yaw_step).astype(np.int64) + 2
    number = np.minimum(number, count)
    rows = np.repeat(np.arange(ring.size), number)
    k = (k0[rows] + np.arange(rows.size) - np.repeat(np.cumsum(number) - number, number)) % count[rows]
    ids = lattice.first[ring[rows]] + k
    order = np.argsort(ids)
    rows, k = rows[order], k[order]
    pitch = -math.pi / 2 + (ring[rows] + 0.5) * ring_step
    yaw = -math.pi + (k + 0.5) * yaw_step[rows]
    cos = np.cos(pitch)
    return ids[order], np.stack([cos * np.sin(yaw), -np.sin(pitch), cos * np.cos(yaw)], axis=-1)


def _extent(camera: Camera) -> tuple[float, float, float, float, float]:
    """(lowest pitch, highest pitch, yaw left, yaw right) of a frame and the yaw these two count from."""
    x = np.linspace(-0.5, camera.width - 0.5, _BORDER_POINTS)
    y = np.linspace(-0.5, camera.height - 0.5, _BORDER_POINTS)
    ends_x, ends_y = np.full_like(y, x[-1]), np.full_like(x, y[-1])
    border = np.concatenate(
        [
            np.stack([x, np.full_like(x, -0.5)], axis=-1),
            np.stack([x, ends_y], axis=-1),
            np.stack([np.full_like(y, -0.5), y], axis=-1),
            np.stack([ends_x, y], axis=-1),
        ]
    )
    rays = camera.rays(border)
    middle = camera.rays([[(camera.width - 1) / 2.0, (camera.height - 1) / 2.0]])[0]
    pitch = np.arcsin(np.clip(-rays[:, 1], -1.0, 1.0))
    low, high = float(pitch.min()), float(pitch.max())
    poles = camera.project(np.array([[0.0, 1.0, 0.0], [0.0, -1.0, 0.0]]))[1]
    centre = math.atan2(middle[0], middle[2])
    if poles[0]:
        low = -math.pi / 2
    if poles[1]:
        high = math.pi / 2
    if poles.any():
        return low, high, -math.pi, math.pi, centre
    yaw = np.arctan2(rays[:, 0], rays[:, 2]) - centre
    yaw = (yaw + math.pi) % (2.0 * math.pi) - math.pi
    return low, high, float(yaw.min()), float(yaw.max()), centre
