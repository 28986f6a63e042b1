"""Soft texture, such as cloud without a single feature, used to place a frame: registered directly.

Where the grid says two frames overlap, their fine structure is compared for all shifts about there. A peak
that is high, beyond chance and without a rival is an observation of the two frames' turns, as sure as the
peak is sharp and as the clouds are still.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.overlap_check import Structure
from belvedere.align.overlaps import frame_grid
from belvedere.align.plain_check import shifted_likeness
from belvedere.align.turn_prediction import Predicted
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import cross_matrix, matrix_from_vector

# Common practice, no published source; checked on simulated clouds, still and drifting.
_LEAST_LIKENESS = 0.7
_RIVAL = 0.8  # of the peak, that no shift away from it may reach
_AWAY = 6  # px of the copies
_SHIFT_SIGMA = 0.5  # px of the copies: what a peak is good for
_UNEVEN = 0.3  # of the drift, by which clouds move unlike each other
_GATE = 16.0  # chi-square of two shifts beyond which the grid is believed


@dataclass(frozen=True, slots=True)
class Shift:
    """Where frame `a` shows what frame `b` shows, against where their cameras say.

    Parameters
    ----------
    a, b : int
        Frame indices.
    ray : ndarray of shape (3,)
        Middle of the overlap, in the world.
    offset : ndarray of shape (2,)
        To the right and down in frame a, rad.
    sigma : float
        Of either, rad.
    """

    a: int
    b: int
    ray: NDArray[np.float64]
    offset: NDArray[np.float64]
    sigma: float


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
    per_px = 1.0 / (structures[a].scale * ca.focal_px)
    return Shift(a, b, middle / np.linalg.norm(middle), offset * per_px, _SHIFT_SIGMA * per_px)


def _top(three: NDArray[np.float64]) -> float:
    """Where a parabola through three values has its top, from the middle one."""
    bend = float(three[0] - 2.0 * three[1] + three[2])
    return float(np.clip(0.5 * (three[0] - three[2]) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


def refined_by_shifts(
    predicted: Predicted,
    frames: Sequence[int],
    shifts: Sequence[Shift],
    cameras: Mapping[int, Camera],
    seconds: Sequence[float],
    rate: float,
) -> Predicted:
    """What the turn predicts and the shifts seen, each weighed by its own covariance.

    One drift of the clouds, unknown but for its size, is solved along: it enters every shift with the time
    between the two exposures.

    Parameters
    ----------
    frames : sequence of int
        Of `predicted`.
    shifts : sequence of Shift
        Of these, and against frames that are held.
    seconds : sequence of float
        When every frame of the series was exposed.
    rate : float
        One sigma of the drift a direction, rad per second.
    """
    at = {i: k for k, i in enumerate(frames)}
    m = len(frames)
    state = np.zeros(3 * m + 3)
    spread = np.zeros((3 * m + 3, 3 * m + 3))
    spread[: 3 * m, : 3 * m] = predicted.covariance.reshape(3 * m, 3 * m)
    spread[3 * m :, 3 * m :] = rate**2 * np.eye(3)
    for s in sorted(shifts, key=lambda s: (abs(seconds[s.a] - seconds[s.b]), s.a, s.b)):
        lapse = seconds[s.a] - seconds[s.b]
        # c' - c = R (((d_b - d_a) + drift (t_a - t_b)) x w)
        turn = -cameras[s.a].rotation[:2] @ cross_matrix(s.ray)
        slope = np.zeros((2, 3 * m + 3))
        for i, sign in ((s.a, -1.0), (s.b, 1.0)):
            if i in at:
                slope[:, 3 * at[i] : 3 * at[i] + 3] += sign * turn
        slope[:, 3 * m :] = lapse * turn
        own = s.sigma**2 + (_UNEVEN * rate * lapse) ** 2
        both = slope @ spread @ slope.T + own * np.eye(2)
        off = s.offset - slope @ state
        if float(off @ np.linalg.solve(both, off)) > _GATE:
            continue
        gain = np.linalg.solve(both, slope @ spread).T
        state = state + gain @ off
        spread = spread - gain @ both @ gain.T
        spread = (spread + spread.T) / 2.0
    turns = matrix_from_vector(state[: 3 * m].reshape(m, 3))
    return Predicted(
        predicted.rotations @ np.swapaxes(turns, 1, 2), spread[: 3 * m, : 3 * m].reshape(m, 3, m, 3)
    )
