"""Shifts of soft texture and what the turn predicts, each weighed by its own covariance.

Clouds move. One drift is solved along: it enters every shift with the time between the two exposures, and
some of it unevenly. How fast they drift is not known: several rates are tried, each weighed by how likely it
makes the shifts. Shifts over short and long times that agree show that clouds stand still; a single shift
shows nothing of the kind, and moves a frame no farther than clouds that may drift allow.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.soft_texture import Shift
from belvedere.align.turn_prediction import Predicted
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import cross_matrix, matrix_from_vector, vector_from_matrix

# Common practice, no published source; checked on simulated clouds, still and drifting.
_UNEVEN = 0.3  # of the drift, by which clouds move unlike each other
_GATE = 16.0  # chi-square of two shifts beyond which the grid is believed
_ANYWHERE = 0.02  # rad: where a shift that is wrong may lie
_WINDOW = 3.0  # variance of the window of three sigmas, of the grid's
_RATES = ((1.0, 0.4), (0.3, 0.3), (0.1, 0.17), (0.03, 0.1), (0.01, 0.02), (0.001, 0.005), (0.0001, 0.005))
"""Shares of the rate that are tried, and how likely each is before the shifts speak: clouds mostly move."""


def refined_by_shifts(
    predicted: Predicted,
    frames: Sequence[int],
    shifts: Sequence[Shift],
    cameras: Mapping[int, Camera],
    seconds: Sequence[float],
    rate: float,
) -> Predicted:
    """Frames where the turn and the shifts together have them.

    Parameters
    ----------
    predicted : Predicted
        By the turn.
    frames : sequence of int
        Of `predicted`.
    shifts : sequence of Shift
        Of these, and against frames that are held.
    cameras : mapping of int to Camera
        Of all frames, those of `frames` where they are thought to be: near the result.
    seconds : sequence of float
        When every frame of the series was exposed.
    rate : float
        One sigma of the drift a direction in a fresh wind, rad per second.
    """
    tried = [_filtered(predicted, frames, shifts, cameras, seconds, rate * share) for share, _ in _RATES]
    log = np.array([t.log_likelihood for t in tried]) + np.log([prior for _, prior in _RATES])
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    state = np.einsum("k,ki->i", weights, np.stack([t.state for t in tried]))
    apart = np.stack([t.state for t in tried]) - state
    spread = np.einsum("k,kij->ij", weights, np.stack([t.spread for t in tried]))
    spread += np.einsum("k,ki,kj->ij", weights, apart, apart)
    m = len(frames)
    turns = matrix_from_vector(state.reshape(m, 3))
    about = np.stack([cameras[i].rotation for i in frames])
    return Predicted(about @ np.swapaxes(turns, 1, 2), spread.reshape(m, 3, m, 3))


@dataclass(frozen=True, slots=True)
class _Filtered:
    """Turns of the frames (3 m,) from where their cameras are, their covariance; how likely it all was."""

    state: NDArray[np.float64]
    spread: NDArray[np.float64]
    log_likelihood: float


def _filtered(
    predicted: Predicted,
    frames: Sequence[int],
    shifts: Sequence[Shift],
    cameras: Mapping[int, Camera],
    seconds: Sequence[float],
    rate: float,
) -> _Filtered:
    """All shifts in turn, shortest times first, upon what is predicted, of clouds that drift at a rate."""
    at = {i: k for k, i in enumerate(frames)}
    m = len(frames)
    state = np.zeros(3 * m + 3)
    for k, i in enumerate(frames):
        state[3 * k : 3 * k + 3] = vector_from_matrix(predicted.rotations[k].T @ cameras[i].rotation)
    spread = np.zeros((3 * m + 3, 3 * m + 3))
    spread[: 3 * m, : 3 * m] = predicted.covariance.reshape(3 * m, 3 * m)
    spread[3 * m :, 3 * m :] = rate**2 * np.eye(3)
    prior = spread[: 3 * m, : 3 * m].copy()
    likely = 0.0
    for s in sorted(shifts, key=lambda s: (abs(seconds[s.a] - seconds[s.b]), s.a, s.b)):
        lapse = seconds[s.a] - seconds[s.b]
        ray, offset = s.seen(cameras)
        # c' - c = R (((d_b - d_a) + drift (t_a - t_b)) x w)
        turn = -cameras[s.a].rotation[:2] @ cross_matrix(ray)
        slope = np.zeros((2, 3 * m + 3))
        for i, sign in ((s.a, -1.0), (s.b, 1.0)):
            if i in at:
                slope[:, 3 * at[i] : 3 * at[i] + 3] += sign * turn
        slope[:, 3 * m :] = lapse * turn
        own = s.sigma**2 + (_UNEVEN * rate * lapse) ** 2
        both = slope @ spread @ slope.T + own * np.eye(2)
        off = offset - slope @ state
        off2 = float(off @ np.linalg.solve(both, off))
        if off2 > _GATE:
            likely -= 0.5 * _GATE + math.log(_ANYWHERE**2)
            continue
        likely += _log_density(off, both, slope[:, : 3 * m] @ prior @ slope[:, : 3 * m].T)
        gain = np.linalg.solve(both, slope @ spread).T
        state = state + gain @ off
        spread = spread - gain @ both @ gain.T
        spread = (spread + spread.T) / 2.0
    return _Filtered(state[: 3 * m], spread[: 3 * m, : 3 * m], likely)


def _log_density(
    off: NDArray[np.float64], covariance: NDArray[np.float64], by_grid: NDArray[np.float64]
) -> float:
    """How likely a shift is, given that it was found about where the grid has it.

    Shifts are looked for within three sigmas of the grid; clouds that have moved farther are not seen, so
    that one which is seen says little against drift. The window is taken as a normal distribution of its
    variance.
    """
    seen = np.linalg.inv(np.linalg.inv(covariance) + np.linalg.inv(_WINDOW * by_grid))
    return -0.5 * (float(off @ np.linalg.solve(seen, off)) + math.log(float(np.linalg.det(seen))))
