"""The regularity of the turn: even steps in a row, one pitch a row, one roll; and what it says of frames.

A frame at column c of row r looks at yaw a_r + c step, pitch p_r, roll q, in the axes of the head, each with
scatter. Fitted to frames of one solved block it says where a frame at another place of the grid should look;
fitted to several blocks that meet nowhere, it turns each of them to where it belongs. How surely follows from
the scatter: of single frames about the even steps (a head with stops), or of the steps themselves, which adds
up along a row (a head turned by eye). Both are tried and weighed by how well they explain the steps seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.rotation import matrix_from_vector, pose_matrix, vector_from_matrix

# Priors, one sigma; common practice, no published source.
_MOUNTED = math.radians(0.5)  # roll of the camera on the head
_PITCH = math.radians(25.0)  # of a row
_TILT = math.radians(20.0)  # of the head, against where it was last
_PRIOR_COUNT = 1.0  # observations that the scatter common to yaw, pitch and roll stands for in each
_LEAST_SCATTER = 5e-6  # rad: one second of arc
_ROUNDS = 12

Scatter = Literal["frames", "steps"]


@dataclass(frozen=True, slots=True)
class Places:
    """Places of frames in the grid, one entry a frame.

    Parameters
    ----------
    part : ndarray of shape (n,), int64
        Which solved block, numbered from 0; the world is that of block 0.
    row, column : ndarray of shape (n,), int64
        Rows are numbered from 0 in any order; columns count steps to the right, from any start.
    """

    part: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TurnGrid:
    """A fitted turn. Angles in rad, variances in rad^2.

    Parameters
    ----------
    head : ndarray of shape (3, 3)
        Takes directions of the world to the head's axes; its second row is down along the pan axis.
    step : float
        From one column to the next.
    yaw, pitch : ndarray of shape (rows,)
        Of column 0 of every row, and of every row, in the head's axes.
    roll : float
        Of all frames.
    pitch_covariance : ndarray of shape (rows, rows)
    scatter : tuple of 3 float
        One sigma of a frame's yaw, pitch and roll about the grid.
    step_scatter : float
        One sigma of a single step.
    off : ndarray of shape (n, 3)
        Yaw, pitch and roll of the fitted frames, less the grid's.
    turns : ndarray of shape (parts, 3, 3)
        Take directions of every block's own world to that of block 0; the first is the identity.
    covariance : ndarray of shape (parts, 3, parts, 3)
        Of these turns, as small rotations in the world of block 0.
    """

    head: NDArray[np.float64]
    step: float
    yaw: NDArray[np.float64]
    pitch: NDArray[np.float64]
    roll: float
    pitch_covariance: NDArray[np.float64]
    scatter: tuple[float, float, float]
    step_scatter: float
    off: NDArray[np.float64]
    turns: NDArray[np.float64]
    covariance: NDArray[np.float64]

    def pose(self, row: int, column: int) -> NDArray[np.float64]:
        """Camera-to-world rotation (3, 3) that the grid gives a frame."""
        turned = pose_matrix(self.yaw[row] + column * self.step, self.pitch[row], self.roll)
        return np.asarray(self.head.T @ turned)


def fit_turn(rotations: NDArray[np.float64], places: Places, head: NDArray[np.float64]) -> TurnGrid:
    """Fit a regular turn to the frames of one or more blocks.

    Parameters
    ----------
    rotations : ndarray of shape (n, 3, 3)
        World to camera, every block in a world of its own.
    places : Places
        Block 0 must have two frames in one row; every other block a row that block 0 has.
    head : ndarray of shape (3, 3)
        The head's axes to start from, as rows, in the world of block 0 (see `TurnGrid`).

    Returns
    -------
    TurnGrid
        The mean over both kinds of scatter; its covariance holds how far they differ. Variances are those of
        Student's distribution, so that few frames do not make it too sure.

    References
    ----------
    W. Foerstner, Ein Verfahren zur Schaetzung von Varianz- und Kovarianzkomponenten, AVN 86, 1979: the
    scatter of each kind of observation from its residuals and its redundancy.
    A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 7.4: averaging over models.
    """
    kinds: tuple[Scatter, ...] = ("frames", "steps")
    fits = [_Fit(rotations, places, head, kind).solved() for kind in kinds]
    evidence = np.array([f.log_evidence() for f in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    grids = [f.grid() for f in fits]
    first = grids[int(np.argmax(weight))]
    apart = np.array(
        [[vector_from_matrix(t @ f.T) for t, f in zip(g.turns, first.turns, strict=True)] for g in grids]
    )
    mean = np.einsum("k,kpi->pi", weight, apart)
    covariance = np.zeros_like(first.covariance)
    for w, g, own in zip(weight, grids, apart - mean, strict=True):
        covariance += w * (g.covariance + np.einsum("pi,qj->piqj", own, own))
    return TurnGrid(
        first.head,
        first.step,
        first.yaw,
        first.pitch,
        first.roll,
        first.pitch_covariance,
        first.scatter,
        float(sum(w * g.step_scatter for w, g in zip(weight, grids, strict=True))),
        first.off,
        np.stack([matrix_from_vector(m) @ t for m, t in zip(mean, first.turns, strict=True)]),
        covariance,
    )


class _Fit:
    """Gauss-Newton under one kind of scatter.

    Unknowns: step, yaw of every row, pitch of every row, roll, then a small turn of every block in the head's
    axes; the first block's turn about the pan axis is held.
    """

    def __init__(
        self, rotations: NDArray[np.float64], places: Places, head: NDArray[np.float64], kind: Scatter
    ) -> None:
        self.poses = np.swapaxes(rotations, 1, 2)
        self.places, self.kind = places, kind
        self.rows, self.parts = int(places.row.max()) + 1, int(places.part.max()) + 1
        self.count = 2 + 2 * self.rows + 3 * self.parts
        self.scatter = np.full(3, math.radians(0.2))
        self.unsure = np.ones(3)  # how much wider Student's distribution is, as variance
        self.whiten = np.linalg.inv(np.linalg.cholesky(_yaw_covariance(places, kind)))
        self.to_head = np.tile(head, (self.parts, 1, 1))
        self._begin()

    def _begin(self) -> None:
        """Grid from block 0 alone, then every other block turned so that its middle frame lies on it."""
        own = np.flatnonzero(self.places.part == 0)
        row, column = self.places.row[own], self.places.column[own]
        angle = angles_of(self.to_head[0] @ self.poses[own])
        self.yaw, self.pitch = np.zeros(self.rows), np.zeros(self.rows)
        rises: list[float] = []
        spans: list[float] = []
        for r in range(self.rows):
            k = np.flatnonzero(row == r)
            k = k[np.argsort(column[k], kind="stable")]
            angle[k, 0] = np.unwrap(angle[k, 0])
            if len(k) > 1:
                rises.append(float(angle[k[-1], 0] - angle[k[0], 0]))
                spans.append(float(column[k[-1]] - column[k[0]]))
        self.step = sum(rises) / sum(spans)
        for r in range(self.rows):
            k = row == r
            if k.any():
                self.yaw[r] = float(np.mean(angle[k, 0] - self.step * column[k]))
                self.pitch[r] = float(np.mean(angle[k, 1]))
        self.roll = float(np.mean(angle[:, 2]))
        for p in range(1, self.parts):
            own = np.flatnonzero(self.places.part == p)
            k = own[len(own) // 2]
            r, c = self.places.row[k], self.places.column[k]
            wanted = pose_matrix(self.yaw[r] + self.step * c, self.pitch[r], self.roll)
            self.to_head[p] = wanted @ self.poses[k].T

    def off(self) -> NDArray[np.float64]:
        """Yaw, pitch and roll of every frame (n, 3) less the grid's."""
        angle = angles_of(self.to_head[self.places.part] @ self.poses)
        row = self.places.row
        off = angle - np.stack(
            [
                self.yaw[row] + self.step * self.places.column,
                self.pitch[row],
                np.full(len(row), self.roll),
            ],
            axis=1,
        )
        off[:, 0] = np.remainder(off[:, 0] + math.pi, 2.0 * math.pi) - math.pi
        return np.asarray(off)

    def slopes(self) -> NDArray[np.float64]:
        """d off / d unknown, (n, 3, unknowns)."""
        n, rows = len(self.poses), self.rows
        out = np.zeros((n, 3, self.count))
        each = np.arange(n)
        out[:, 0, 0] = -self.places.column
        out[each, 0, 1 + self.places.row] = -1.0
        out[each, 1, 1 + rows + self.places.row] = -1.0
        out[:, 2, 1 + 2 * rows] = -1.0
        poses = self.to_head[self.places.part] @ self.poses
        small = 1e-6
        for axis in range(3):
            turn = matrix_from_vector(small * np.eye(3)[axis])
            apart = angles_of(turn @ poses) - angles_of(turn.T @ poses)
            apart = np.remainder(apart + math.pi, 2.0 * math.pi) - math.pi
            out[each, :, 2 + 2 * rows + 3 * self.places.part + axis] = apart / (2.0 * small)
        return out

    def solved(self) -> _Fit:
        """Solve, the scatters estimated along."""
        rows = self.rows
        for _ in range(_ROUNDS):
            a, b, normal = self._weighted()
            value = np.zeros(self.count)
            value[1 + rows : 2 + 2 * rows] = [*self.pitch, self.roll]
            gradient = np.einsum("nku,nk->u", a, b) + self._prior() * value
            inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
            step = -inverse @ gradient
            self.step += float(step[0])
            self.yaw = self.yaw + step[1 : 1 + rows]
            self.pitch = self.pitch + step[1 + rows : 1 + 2 * rows]
            self.roll += float(step[1 + 2 * rows])
            self.to_head = matrix_from_vector(step[2 + 2 * rows :].reshape(-1, 3)) @ self.to_head
            self._estimate_scatter(a, b + a @ step, inverse)
        return self

    def _weighted(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Slopes and residuals in sigmas, uncorrelated; the normal matrix with the priors."""
        a, b = self.slopes(), self.off()
        a[:, 0] = np.tensordot(self.whiten, a[:, 0], axes=1)
        b[:, 0] = self.whiten @ b[:, 0]
        sigma = self.scatter * np.sqrt(self.unsure)
        a, b = a / sigma[None, :, None], b / sigma
        return a, b, np.einsum("nku,nkv->uv", a, a) + np.diag(self._prior())

    def _prior(self) -> NDArray[np.float64]:
        """Weights of the priors, the last estimate their centre but for pitch and roll."""
        rows, turns = self.rows, 2 + 2 * self.rows
        out = np.ones(self.count)  # what nothing else tells moves little
        out[1 + rows : 1 + 2 * rows] = _PITCH**-2
        out[1 + 2 * rows] = _MOUNTED**-2
        out[turns : turns + 3] = [_TILT**-2, 1e14, _TILT**-2]
        return out

    def _estimate_scatter(
        self, a: NDArray[np.float64], left: NDArray[np.float64], inverse: NDArray[np.float64]
    ) -> None:
        hat = np.einsum("nku,uv,nkv->k", a, inverse, a)
        free = np.maximum(len(a) - hat, 0.0)
        square = np.sum(left**2, axis=0) * self.scatter**2 * self.unsure
        common = float(square.sum()) / max(float(free.sum()), 1.0)
        variance = (square + _PRIOR_COUNT * common) / (free + _PRIOR_COUNT)
        self.scatter = np.sqrt(np.maximum(variance, _LEAST_SCATTER**2))
        known = free + _PRIOR_COUNT
        self.unsure = known / np.maximum(known - 2.0, 0.5)

    def log_evidence(self) -> float:
        """How well this kind of scatter explains the yaws, its size left open (a constant apart).

        The likelihood of a linear model with flat priors, integrated over its unknowns and its scatter.
        """
        n = len(self.poses)
        columns = [self.places.column.astype(np.float64)]
        columns += [(self.places.row == r).astype(np.float64) for r in range(self.rows)]
        columns += [(self.places.part == p).astype(np.float64) for p in range(1, self.parts)]
        design = self.whiten @ np.stack(columns, axis=1)
        left = self.whiten @ self.off()[:, 0]
        size = np.linalg.svd(design, compute_uv=False)
        size = size[size > 1e-9 * size[0]]
        left = left - design @ np.linalg.lstsq(design, left, rcond=None)[0]
        square = float(left @ left) + n * _LEAST_SCATTER**2
        free = max(n - len(size), 1)
        return float(np.log(np.diag(self.whiten)).sum() - np.log(size).sum() - 0.5 * free * math.log(square))

    def grid(self) -> TurnGrid:
        rows, parts = self.rows, self.parts
        inverse = np.asarray(np.linalg.inv(self._weighted()[2]), dtype=np.float64)
        turns = inverse[2 + 2 * rows :, 2 + 2 * rows :].reshape(parts, 3, parts, 3)
        # every block's turn against the first block's, in the world of the first
        against = turns - turns[:1] - turns[:, :, :1] + turns[:1, :, :1]
        head = self.to_head[0]
        against = np.einsum("ia,piqj,jb->paqb", head, against, head)
        single = self.scatter * np.sqrt(self.unsure)
        at = slice(1 + rows, 1 + 2 * rows)
        return TurnGrid(
            head,
            self.step,
            self.yaw,
            self.pitch,
            self.roll,
            inverse[at, at],
            (float(single[0]), float(single[1]), float(single[2])),
            float(self.scatter[0]) * (math.sqrt(2.0) if self.kind == "frames" else 1.0),
            self.off(),
            head.T @ self.to_head,
            against,
        )


def _yaw_covariance(places: Places, kind: Scatter) -> NDArray[np.float64]:
    """Covariance (n, n) of the frames' yaws about the even steps, in units of the scatter."""
    n = len(places.row)
    if kind == "frames":
        return np.eye(n)
    column = places.column.astype(np.float64)
    since = column - np.array([column[places.row == r].min() for r in places.row])
    together = np.minimum(since[:, None], since[None, :]) * (places.row[:, None] == places.row[None, :])
    return np.asarray(together + 1e-3 * np.eye(n))


def angles_of(poses: NDArray[np.float64]) -> NDArray[np.float64]:
    """Yaw, pitch and roll (n, 3) of poses (n, 3, 3): `geometry.rotation.yaw_pitch_roll` for many at once."""
    level = np.hypot(poses[:, 0, 2], poses[:, 2, 2])
    return np.stack(
        [
            np.arctan2(poses[:, 0, 2], poses[:, 2, 2]),
            np.arctan2(-poses[:, 1, 2], level),
            np.arctan2(poses[:, 1, 0], poses[:, 1, 1]),
        ],
        axis=1,
    )


def head_axes(down: NDArray[np.float64], rotations: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Axes (3, 3), as rows, of a head whose pan axis is `down`, ahead where the first frame looks."""
    ahead = np.asarray(rotations[0])[2]
    right = np.cross(down, ahead)
    right /= np.linalg.norm(right)
    return np.stack([right, down, np.cross(right, down)])
