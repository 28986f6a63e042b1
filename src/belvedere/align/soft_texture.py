"""Soft texture, such as cloud without a single feature, used to place a frame: registered directly.

Where the grid says two frames overlap, their fine structure is compared for all shifts about there. A peak
that is high, beyond chance and without a rival is an observation of the two frames' turns, as sure as the
peak is sharp and as the clouds are still.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.overlap_check import Structure
from belvedere.align.overlaps import frame_grid
from belvedere.align.plain_check import shifted_likeness
from belvedere.geometry.camera import Camera

# Common practice, no published source; checked on simulated clouds, still and drifting.
_LEAST_LIKENESS = 0.7
_RIVAL = 0.8  # of the peak, that no shift away from it may reach
_AWAY = 6  # px of the copies
_SHIFT_SIGMA = 0.5  # px of the copies: what a peak is good for


@dataclass(frozen=True, slots=True)
class Shift:
    """The same in two frames, though no sharp detail.

    Parameters
    ----------
    a, b : int
        Frame indices.
    at_a, at_b : ndarray of shape (2,)
        Where either shows it, px.
    sigma : float
        Of a coordinate of one against the other, rad.
    """

    a: int
    b: int
    at_a: NDArray[np.float64]
    at_b: NDArray[np.float64]
    sigma: float

    def seen(self, cameras: Mapping[int, Camera]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Its direction in the world by frame b, and how far to the right of it and below frame a has it.

        Returns
        -------
        ray : ndarray of shape (3,)
        offset : ndarray of shape (2,)
            rad.
        """
        ray = cameras[self.b].rays(self.at_b[None])[0]
        off = cameras[self.a].rays(self.at_a[None])[0] - ray
        return ray, cameras[self.a].rotation[:2] @ off


def measure_shift(
    pair: tuple[int, int],
    structures: Mapping[int, Structure],
    cameras: Mapping[int, Camera],
    within_px: float,
) -> Shift | None:
    """Register two frames directly; None where nothing is plain.

    Parameters
    ----------
    within_px : float
        How far from where the cameras say it is looked for, px.
    """
    a, b = pair
    ca, cb = cameras[a], cameras[b]
    found = shifted_likeness(structures[a], structures[b], ca, cb, within_px)
    if found is None:
        return None
    value = np.where(np.isfinite(found[0]), found[0], -1.0)
    size = len(value)
    y, x = (int(k) for k in np.unravel_index(int(np.argmax(value)), value.shape))
    if value[y, x] < _LEAST_LIKENESS or not (0 < y < size - 1 and 0 < x < size - 1):
        return None
    rows, columns = np.mgrid[0:size, 0:size]
    away = np.maximum(np.abs(rows - y), np.abs(columns - x)) > _AWAY
    if away.any() and float(value[away].max()) > _RIVAL * value[y, x]:
        return None
    top = np.array([x + _top(value[y, x - 1 : x + 2]), y + _top(value[y - 1 : y + 2, x])])
    offset = top - (size - 1) / 2.0
    rays = ca.rays(frame_grid(ca, 24))
    middle = rays[cb.project(rays)[1]].mean(axis=0)
    at_a, at_b = ca.project(middle[None])[0][0], cb.project(middle[None])[0][0]
    sigma = _SHIFT_SIGMA / (structures[a].scale * ca.focal_px)
    return Shift(a, b, at_a + offset / structures[a].scale, at_b, sigma)


def _top(three: NDArray[np.float64]) -> float:
    """Where a parabola through three values has its top, from the middle one."""
    bend = float(three[0] - 2.0 * three[1] + three[2])
    return float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0
