"""The axes in which a set that goes over the zenith is drawn: along its sweep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera

_UP = np.array([0.0, -1.0, 0.0])
_LEAST_SWEEP = math.radians(100.0)  # what sweeps less lies on a map of yaw and pitch well enough
_LEAST_PITCH = math.radians(60.0)  # of the highest sight line
_BESIDE = 0.6  # of a frame's smaller angle, by which sight lines may lie off the sweep's plane


@dataclass(frozen=True, slots=True)
class ZenithSweep:
    """A sweep from the level over the zenith.

    Parameters
    ----------
    axes : ndarray of shape (3, 3)
        Takes directions to the sweep's own axes: an angle to the right there is one along the sweep, from
        the level in front of its first frame (0) over the zenith (90 degrees) to the level behind (180).
    first : int
        The camera nearest to the level where the sweep begins, by its place in the sequence given.
    """

    axes: NDArray[np.float64]
    first: int


def zenith_sweep(cameras: Sequence[Camera]) -> ZenithSweep | None:
    """The sweep of cameras over the zenith; None where they do not make one.

    Parameters
    ----------
    cameras : sequence of Camera
        In axes whose y is down.
    """
    sights = np.stack([c.rotation[2] for c in cameras])
    if float(np.max(sights @ _UP)) < math.sin(_LEAST_PITCH):
        return None
    flat = sights - np.outer(sights @ _UP, _UP)
    _, vectors = np.linalg.eigh(flat.T @ flat)
    ahead = vectors[:, 2] - (vectors[:, 2] @ _UP) * _UP
    ahead /= max(float(np.linalg.norm(ahead)), 1e-12)
    along = np.arctan2(sights @ _UP, sights @ ahead)
    if along[0] > math.pi / 2.0 or (along[0] < -math.pi / 2.0):  # begins at the first frame
        ahead = -ahead
        along = np.arctan2(sights @ _UP, sights @ ahead)
    side = np.cross(ahead, _UP)
    off = np.abs(np.arcsin(np.clip(sights @ side, -1.0, 1.0)))
    narrow = min(2.0 * math.atan(min(c.width, c.height) / 2.0 / c.focal_px) for c in cameras)
    if float(np.ptp(along)) < _LEAST_SWEEP or float(off.max()) > _BESIDE * narrow:
        return None
    if float(along.max()) < math.pi / 2.0:
        return None
    return ZenithSweep(np.stack([_UP, side, ahead]), int(np.argmin(along)))
