"""Where a frame that nothing ties should look: the turn's even steps, and what its tied neighbours say of it.

The angles of a turn about the head's axes are taken as a trend (step, a start and a pitch to every row, the
roll, a lean of the head) plus scatter. Scatter is of single frames (a head with stops), or of the steps,
which adds up along a row (a head turned by eye), or both. Of the second kind a neighbour tells much: between
two tied frames a place is surer than the fourth one out. What a row's start and pitch are, where no frame of
it is tied, follows from the other rows, as far as these are in step.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from belvedere.align.turn_grid import angles_of
from belvedere.geometry.rotation import matrix_from_vector, pose_matrix, vector_from_matrix

# Priors, one sigma; common practice, no published source.
_MOUNTED = math.radians(0.5)  # roll of the camera on the head
_ROW_STEP = math.radians(30.0)
_LEAN = math.radians(5.0)  # left in the head's axes given
_PRIOR_COUNT = 1.0  # observations that the scatter common to all angles stands for in each
_ROW_SHARE = 0.4  # of that variance, in which rows are taken to be out of step before they speak
_LEAST_SCATTER = 5e-6  # rad: one second of arc
_ROUNDS = 8
_ADDS_UP = (0.0, 0.3, 1000.0)  # variance a step adds, over that of a frame by itself


@dataclass(frozen=True, slots=True)
class Predicted:
    """Frames predicted by the turn.

    Parameters
    ----------
    rotations : ndarray of shape (m, 3, 3)
        World to camera.
    covariance : ndarray of shape (m, 3, m, 3)
        Of their turns, as small rotations in the world, rad^2; against the frames known.
    """

    rotations: NDArray[np.float64]
    covariance: NDArray[np.float64]


def predict(
    rotations: NDArray[np.float64],
    place: NDArray[np.int64],
    wanted: NDArray[np.int64],
    head: NDArray[np.float64],
    step: float,
) -> Predicted:
    """Predict where frames at other places of the grid look.

    Parameters
    ----------
    rotations : ndarray of shape (n, 3, 3)
        World to camera, of the frames known.
    place, wanted : ndarrays of shape (n, 2) and (m, 2), int64
        Row and column of the frames known and of those wanted.
    head : ndarray of shape (3, 3)
        The head's axes, as rows, in the world, nearly.
    step : float
        From column to column, nearly, rad.

    Returns
    -------
    Predicted
        The mean over all kinds of scatter, weighed by how well they explain the frames known.

    References
    ----------
    N. Cressie, Statistics for Spatial Data, 1993, section 3.4: universal kriging.
    W. Foerstner, Ein Verfahren zur Schaetzung von Varianz- und Kovarianzkomponenten, AVN 86, 1979.
    A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 7.4: averaging over models.
    """
    turn = _Turn(rotations, place, wanted, head, step)
    fits = [turn.fit(yaw, pitch) for yaw, pitch in product(_ADDS_UP, _ADDS_UP)]
    evidence = np.array([f.evidence for f in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    mean = np.einsum("k,kmi->mi", weight, np.stack([f.angles for f in fits]))
    spread = np.zeros((3 * len(wanted), 3 * len(wanted)))
    for w, f in zip(weight, fits, strict=True):
        off = (f.angles - mean).ravel()
        spread += w * (f.covariance + np.outer(off, off))
    return turn.in_world(mean, spread)


def refined(
    predicted: Predicted,
    which: Sequence[int],
    seen: NDArray[np.float64],
    covariance: NDArray[np.float64],
) -> Predicted:
    """What the turn predicts and what is seen of some of the frames, each weighed by its own covariance.

    Where the two differ by more than they may, the outcome is as much less sure.

    Parameters
    ----------
    which : sequence of int
        Places in `predicted` of the frames seen.
    seen : ndarray of shape (k, 3, 3)
        Their rotations, world to camera.
    covariance : ndarray of shape (k, 3, k, 3)
        Of these, as small rotations in the world, rad^2.
    """
    m, k = len(predicted.rotations), len(which)
    own = predicted.rotations[list(which)]
    off = np.stack([vector_from_matrix(s.T @ p) for s, p in zip(seen, own, strict=True)]).ravel()
    prior = predicted.covariance.reshape(3 * m, 3 * m)
    at = (3 * np.asarray(which)[:, None] + np.arange(3)).ravel()
    both = prior[np.ix_(at, at)] + covariance.reshape(3 * k, 3 * k)
    gain = np.linalg.solve(both, prior[at]).T
    excess = max(float(off @ np.linalg.solve(both, off)) / (3 * k), 1.0)
    turn = matrix_from_vector((gain @ off).reshape(m, 3))
    left = (prior - gain @ prior[at]) * excess
    return Predicted(
        predicted.rotations @ np.swapaxes(turn, 1, 2),
        np.asarray((left + left.T) / 2.0).reshape(m, 3, m, 3),
    )


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One kind of scatter: log evidence, angles (m, 3) wanted and their covariance (3 m, 3 m)."""

    evidence: float
    angles: NDArray[np.float64]
    covariance: NDArray[np.float64]


class _Turn:
    """A linear model of yaw, pitch and roll: observed, wanted, and what they have in common.

    Unknowns: step; start of every row, and of all; pitch of every row, of the first, and the step from row to
    row; roll; two leans of the head.
    """

    def __init__(
        self,
        rotations: NDArray[np.float64],
        place: NDArray[np.int64],
        wanted: NDArray[np.int64],
        head: NDArray[np.float64],
        step: float,
    ) -> None:
        self.head, self.place, self.wanted = head, place, wanted
        every = np.concatenate([place, wanted])
        self.row0, self.rows = int(every[:, 0].min()), int(np.ptp(every[:, 0])) + 1
        self.middle = float(np.mean(place[:, 1]))
        self.count = 1 + 2 * (self.rows + 1) + 1 + 1 + 2
        poses = head @ np.swapaxes(rotations, 1, 2)
        self.seen = angles_of(poses)
        start = self.seen[:, 0] - step * (place[:, 1] - self.middle)
        about = math.atan2(float(np.sin(start).mean()), float(np.cos(start).mean()))
        # unknowns are small corrections to these
        self.step, self.start = step, about
        self.pitch = self._row_pitches()
        self.roll = float(np.median(self.seen[:, 2]))
        self.y = _wrapped(self.seen - self.expected(place))
        self.x = self.slopes(place)
        self.x_wanted = self.slopes(wanted)
        self.whiteners = {k: self._whitener(k) for k in _ADDS_UP}

    def _row_pitches(self) -> NDArray[np.float64]:
        """Of every row, a straight line through those known where it has no frame."""
        own = self.place[:, 0] - self.row0
        known = np.unique(own)
        mean = np.array([self.seen[own == r, 1].mean() for r in known])
        line = np.polyfit(known, mean, 1) if len(known) > 1 else np.array([0.0, float(mean[0])])
        out = np.polyval(line, np.arange(self.rows))
        out[known] = mean
        self.line = line
        return np.asarray(out)

    def expected(self, place: NDArray[np.int64]) -> NDArray[np.float64]:
        """Yaw, pitch and roll (n, 3) that the first guess gives places."""
        yaw = self.start + self.step * (place[:, 1] - self.middle)
        return np.stack([yaw, self.pitch[place[:, 0] - self.row0], np.full(len(place), self.roll)], axis=1)

    def slopes(self, place: NDArray[np.int64]) -> NDArray[np.float64]:
        """d angle / d unknown, (n, 3, unknowns)."""
        n, rows = len(place), self.rows
        out = np.zeros((n, 3, self.count))
        each, row = np.arange(n), place[:, 0] - self.row0
        out[:, 0, 0] = place[:, 1] - self.middle
        out[each, 0, 1 + row] = 1.0
        out[each, 1, 2 + rows + row] = 1.0
        out[:, 2, 4 + 2 * rows] = 1.0
        poses = np.stack([pose_matrix(*a) for a in self.expected(place)])
        small = 1e-6
        for k, axis in enumerate((0, 2)):
            turn = matrix_from_vector(small * np.eye(3)[axis])
            apart = _wrapped(angles_of(turn @ poses) - angles_of(turn.T @ poses))
            out[:, :, 5 + 2 * rows + k] = apart / (2.0 * small)
        return out

    def _in_step(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Rows' starts less the common one, pitches less their line: slopes (rows, unknowns), offset."""
        rows = self.rows
        start, pitch = np.zeros((rows, self.count)), np.zeros((rows, self.count))
        each = np.arange(rows)
        start[each, 1 + each], start[:, 1 + rows] = 1.0, -1.0
        pitch[each, 2 + rows + each], pitch[:, 2 + 2 * rows], pitch[:, 3 + 2 * rows] = 1.0, -1.0, -each
        return start, pitch, -(self.pitch - np.polyval(self.line, each))

    def fit(self, adds_yaw: float, adds_pitch: float) -> _Fitted:
        """Solve under one kind of scatter, its size estimated along, and predict."""
        kernels = (adds_yaw, adds_pitch, 0.0)
        whiten = [self.whiteners[k] for k in kernels]
        xs = [w @ self.x[:, k] for k, w in enumerate(whiten)]
        ys = [w @ self.y[:, k] for k, w in enumerate(whiten)]
        start, pitch, lift = self._in_step()
        xs += [start, pitch]
        ys += [np.zeros(self.rows), lift]
        prior = np.full(self.count, 1.0)
        prior[4 + 2 * self.rows] = _MOUNTED**-2
        prior[3 + 2 * self.rows] = _ROW_STEP**-2
        prior[5 + 2 * self.rows :] = _LEAN**-2
        variance, wide = np.full(5, math.radians(0.2) ** 2), np.ones(5)
        wish = np.zeros(self.count)
        wish[4 + 2 * self.rows] = -self.roll
        for _ in range(_ROUNDS):
            normal = np.diag(prior)
            right = prior * wish
            for x, y, v in zip(xs, ys, variance * wide, strict=True):
                normal = normal + x.T @ x / v
                right = right + x.T @ y / v
            inverse = np.linalg.inv(normal)
            value = inverse @ right
            variance, wide = self._scatters(xs, ys, value, inverse, variance, wide)
        normal = np.diag(prior)
        for x, v in zip(xs, variance * wide, strict=True):
            normal = normal + x.T @ x / v
        inverse = np.linalg.inv(normal)
        evidence = self._evidence(xs, ys, value, variance, inverse, whiten)
        angles, covariance = self._predicted(kernels, value, variance * wide, inverse)
        return _Fitted(evidence, angles, covariance)

    def _scatters(
        self,
        xs: list[NDArray[np.float64]],
        ys: list[NDArray[np.float64]],
        value: NDArray[np.float64],
        inverse: NDArray[np.float64],
        variance: NDArray[np.float64],
        wide: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Variance of every kind of observation, and how much wider Student's distribution is."""
        square = np.array([float(np.sum((y - x @ value) ** 2)) for x, y in zip(xs, ys, strict=True)])
        used = [float(np.sum((x @ inverse) * x)) / v for x, v in zip(xs, variance * wide, strict=True)]
        free = np.maximum(np.array([len(y) for y in ys]) - np.array(used), 0.0)
        common = float(square[:3].sum()) / max(float(free[:3].sum()), 1.0)
        known = free + _PRIOR_COUNT
        prior = common * np.array([1.0, 1.0, 1.0, _ROW_SHARE, _ROW_SHARE])
        found = np.maximum((square + _PRIOR_COUNT * prior) / known, _LEAST_SCATTER**2)
        return found, known / np.maximum(known - 2.0, 0.5)

    def _evidence(
        self,
        xs: list[NDArray[np.float64]],
        ys: list[NDArray[np.float64]],
        value: NDArray[np.float64],
        variance: NDArray[np.float64],
        inverse: NDArray[np.float64],
        whiten: list[NDArray[np.float64]],
    ) -> float:
        """Restricted log likelihood of the angles seen, a constant apart."""
        out = 0.5 * float(np.linalg.slogdet(inverse)[1])
        for k, (x, y) in enumerate(zip(xs, ys, strict=True)):
            out -= 0.5 * (float(np.sum((y - x @ value) ** 2)) / variance[k] + len(y) * math.log(variance[k]))
            if k < 3:
                out += float(np.log(np.diag(whiten[k])).sum())
        return out

    def _kernel(self, a: NDArray[np.int64], b: NDArray[np.int64], adds_up: float) -> NDArray[np.float64]:
        """Covariance (n, m) of the scatter at two lists of places, in units of a frame's own."""
        same = (a[:, None, 0] == b[None, :, 0]).astype(np.float64)
        ca, cb = a[:, None, 1] - self.middle, b[None, :, 1] - self.middle
        walk = np.where(ca * cb > 0.0, np.minimum(np.abs(ca), np.abs(cb)), 0.0)
        return np.asarray(same * (walk * adds_up + (ca == cb)) / (1.0 + adds_up))

    def _whitener(self, adds_up: float) -> NDArray[np.float64]:
        kernel = self._kernel(self.place, self.place, adds_up)
        twice = np.all(self.place[:, None] == self.place[None, :], axis=2) & ~np.eye(len(kernel), dtype=bool)
        kernel[twice] -= 1.0 / (1.0 + adds_up)  # two frames of one place scatter by themselves
        return np.asarray(np.linalg.inv(np.linalg.cholesky(kernel)))

    def _predicted(
        self,
        kernels: tuple[float, float, float],
        value: NDArray[np.float64],
        variance: NDArray[np.float64],
        inverse: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        m = len(self.wanted)
        angles = self.expected(self.wanted)
        left = np.zeros((m, 3, self.count))
        covariance = np.zeros((m, 3, m, 3))
        for k, adds_up in enumerate(kernels):
            whiten = self.whiteners[adds_up]
            across = self._kernel(self.wanted, self.place, adds_up)
            weight = (across @ whiten.T) @ whiten
            angles[:, k] += self.x_wanted[:, k] @ value + weight @ (self.y[:, k] - self.x[:, k] @ value)
            own = self._kernel(self.wanted, self.wanted, adds_up) - weight @ across.T
            covariance[:, k, :, k] = variance[k] * own
            left[:, k] = self.x_wanted[:, k] - weight @ self.x[:, k]
        covariance += np.einsum("mku,uv,nlv->mknl", left, inverse, left, optimize=True)
        return angles, covariance.reshape(3 * m, 3 * m)

    def in_world(self, angles: NDArray[np.float64], covariance: NDArray[np.float64]) -> Predicted:
        """Angles in the head's axes as rotations of the world, and their covariance as small turns."""
        poses = np.stack([pose_matrix(*a) for a in angles])
        slopes = np.empty((len(poses), 3, 3))
        for k, (yaw, pitch, _) in enumerate(angles):
            ahead = poses[k][:, 2]
            across = pose_matrix(float(yaw), float(pitch), 0.0)[:, 0]
            # yaw turns about y, pitch about the x axis it has turned, roll about the sight line
            slopes[k] = np.stack([np.array([0.0, 1.0, 0.0]), across, ahead], axis=1)
        slopes = self.head.T @ slopes
        m = len(poses)
        spread = np.einsum(
            "mia,manb,njb->minj", slopes, covariance.reshape(m, 3, m, 3), slopes, optimize=True
        )
        return Predicted(np.swapaxes(poses, 1, 2) @ self.head, np.asarray(spread))


def _wrapped(angles: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.remainder(angles + math.pi, 2.0 * math.pi) - math.pi)
