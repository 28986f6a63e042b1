"""How far rows climb or sink along themselves, told apart from a head that leans: one fit over all rows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.survey.checking.head_grid import HeadGrid, Row

# Scatter of a head that holds still, one sigma; common practice, no published source.
ROLL_SCATTER = math.radians(0.15)
PITCH_SCATTER = math.radians(0.25)
STEEP = math.radians(70.0)
"""Frames that look higher or lower have no say: roll and yaw are hard to tell apart there."""
_PRIOR_COUNT = 8.0  # frames that the usual scatter counts for against a set's own
_LEAST = 3  # frames of a row whose climb can be told
_CUT = 3.0  # residuals of so many sigmas weigh a half (Cauchy): one frame off its row is no climb
_ROUNDS = 8
_PLAIN = 9.0  # by how much -2 log likelihood must differ to tell two causes apart: three sigmas
_LEAN_PRIOR = math.radians(20.0)

Cause = Literal["drift", "askew", "either"]


@dataclass(frozen=True, slots=True)
class Climb:
    """How much higher the right end of a row stands than the left one, rad.

    Parameters
    ----------
    total : float
        Against the upright of the row's own frames; what a crop to a level strip loses.
    sigma : float
        One sigma of it; infinite where a row is too short, too steep, or goes all round.
    """

    total: float
    sigma: float


@dataclass(frozen=True, slots=True)
class RowClimbs:
    """The climb of every row, and what explains them.

    Parameters
    ----------
    climbs : tuple of Climb
        From the top row.
    cause : "drift", "askew" or "either"
        A head that gives way along the row; a camera that sits askew on a head that leans; a narrow row
        shows both alike.
    askew : float
        Roll of all frames, rad, where the camera alone sits askew: it turns x towards y.
    """

    climbs: tuple[Climb, ...]
    cause: Cause
    askew: float


def row_climbs(
    grid: HeadGrid, sigmas: dict[int, float] | None = None, unsteady: Sequence[int] = ()
) -> RowClimbs:
    """Fit a leaning head and a climb of every row to the pitches and rolls of all frames.

    A head that leans by the small turn (wx, 0, wz) against the grid's axes lifts a frame at yaw t by
    wx cos t - wz sin t and rolls it by (wx sin t + wz cos t) / cos(pitch): a plane through all sight lines. A
    row that drifts climbs in pitch alone; a camera askew rolls all frames alike. Fitted without the latter,
    the climb is against the frames' own upright; fitted with it in place of the climbs, what is left tells
    which it was, given a row wide enough.

    Parameters
    ----------
    grid : HeadGrid
    sigmas : dict or None
        One sigma of the place of frames against their neighbours, rad, where it is known.
    unsteady : sequence of int
        Frames whose roll has no say.

    References
    ----------
    W. Foerstner, Ein Verfahren zur Schaetzung von Varianz- und Kovarianzkomponenten, AVN 86, 1979: the
    scatter of pitch and of roll from their residuals and redundancies.
    """
    rows = [r for r, row in enumerate(grid.rows) if abs(row.pitch) < STEEP]
    told = [r for r in rows if _has_climb(grid.rows[r])]
    none = tuple(Climb(0.0, math.inf) for _ in grid.rows)
    if not told:
        return RowClimbs(none, "either", 0.0)
    seen = _Seen.of(grid, rows, sigmas or {}, unsteady)
    drift = _fit(seen, told, askew=False)
    askew = _fit(seen, (), askew=True)
    climbs = list(none)
    for k, r in enumerate(told):
        span = grid.rows[r].places[-1].yaw - grid.rows[r].places[0].yaw
        # along a chain of joints the errors of single places add up
        chain = math.fsum((sigmas or {}).get(i, 0.0) ** 2 for i in grid.rows[r].frames)
        climbs[r] = Climb(
            float(drift.rates[k]) * span, math.hypot(float(drift.sigmas[k]) * span, math.sqrt(chain))
        )
    better = askew.misfit - drift.misfit
    cause: Cause = "either"
    if better > _PLAIN + len(told) - 1:
        cause = "drift"
    elif better < -_PLAIN:
        cause = "askew"
    return RowClimbs(tuple(climbs), cause, askew.roll)


def _has_climb(row: Row) -> bool:
    return len(row.frames) >= _LEAST and not row.closed and len(row.places) >= _LEAST


@dataclass(frozen=True, slots=True)
class _Seen:
    """Yaw, pitch, roll and row of the frames that have a say, and the sigma of their place, rad."""

    yaw: NDArray[np.float64]
    pitch: NDArray[np.float64]
    roll: NDArray[np.float64]
    row: NDArray[np.int64]
    level: NDArray[np.float64]
    sigma: NDArray[np.float64]
    steady: NDArray[np.bool_]

    @classmethod
    def of(
        cls, grid: HeadGrid, rows: Sequence[int], sigmas: dict[int, float], unsteady: Sequence[int]
    ) -> _Seen:
        own = [(r, place.yaw, i) for r in rows for place in grid.rows[r].places for i in place.frames]
        frames = [i for _, _, i in own]
        pitch = np.array([grid.poses[i].pitch for i in frames])
        roll = np.array([math.remainder(grid.poses[i].roll, 2.0 * math.pi) for i in frames])
        return cls(
            np.array([yaw for _, yaw, _ in own]),
            pitch,
            roll,
            np.array([r for r, _, _ in own]),
            np.maximum(np.cos(pitch), 0.3),
            np.array([sigmas.get(i, 0.0) for i in frames]),
            np.array([i not in unsteady for i in frames]),
        )


@dataclass(frozen=True, slots=True)
class _Fitted:
    """Rates of climb, rad of pitch a rad of yaw, and their sigmas; roll of all; -2 log likelihood."""

    rates: NDArray[np.float64]
    sigmas: NDArray[np.float64]
    roll: float
    misfit: float


def _fit(seen: _Seen, told: Sequence[int], *, askew: bool) -> _Fitted:
    """Reweighted least squares; unknowns: wx, wz, a pitch a row, then a rate a row told, or the roll."""
    n = len(seen.yaw)
    rows = sorted(set(seen.row.tolist()))
    first = 2 + len(rows)
    design = np.zeros((2 * n, first + (1 if askew else len(told))))
    cos, sin = np.cos(seen.yaw), np.sin(seen.yaw)
    design[:n, 0], design[:n, 1] = cos, -sin
    design[n:, 0], design[n:, 1] = sin / seen.level, cos / seen.level
    for k, r in enumerate(rows):
        design[:n, 2 + k] = seen.row == r
    for k, r in enumerate(told):
        mine = seen.row == r
        middle = (seen.yaw[mine].min() + seen.yaw[mine].max()) / 2.0
        design[:n, first + k] = np.where(mine, seen.yaw - middle, 0.0)
    if askew:
        design[n:, first] = 1.0
    value = np.concatenate([seen.pitch, seen.roll])
    counts = np.concatenate([np.ones(n), seen.steady.astype(np.float64)])
    prior = np.full(design.shape[1], 1e-9)
    prior[:2] = _LEAN_PRIOR**-2
    scatter = np.array([PITCH_SCATTER, ROLL_SCATTER])
    usual = scatter**2
    robust = np.ones(2 * n)
    for _ in range(_ROUNDS):
        variance = np.repeat(scatter**2, n) + np.tile(seen.sigma**2, 2)
        weight = counts * robust / variance
        normal = design.T @ (weight[:, None] * design) + np.diag(prior)
        inverse = np.linalg.inv(normal)
        x = inverse @ (design.T @ (weight * value))
        left = value - design @ x
        robust = 1.0 / (1.0 + left**2 / variance / _CUT**2)
        hat = np.einsum("ij,jk,ik->i", design, inverse, design) * weight
        for kind in (0, 1):
            part = slice(kind * n, (kind + 1) * n)
            free = max(float((counts * robust)[part].sum() - hat[part].sum()), 0.0)
            square = float(np.sum((counts * robust * left**2)[part]))
            scatter[kind] = math.sqrt((_PRIOR_COUNT * usual[kind] + square) / (_PRIOR_COUNT + free))
    variance = np.repeat(usual, n) + np.tile(seen.sigma**2, 2)
    misfit = float(np.sum(counts * np.log1p(left**2 / variance / _CUT**2)) * _CUT**2)
    spread = np.sqrt(np.maximum(np.diag(inverse), 0.0))
    if askew:
        return _Fitted(np.empty(0), np.empty(0), float(x[first]), misfit)
    return _Fitted(x[first:], spread[first:], 0.0, misfit)
