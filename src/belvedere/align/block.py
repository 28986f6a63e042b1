"""The block adjustment: rotations and lens groups from all tie points at once.

A tie point is one detail in two frames. Its two rays, turned into the world, should be one; the residual is
their difference in the plane across them, times the mean focal length: px. Rotations are updated on the world
side, R <- R exp([d])^T, so that a ray w becomes exp([d]) w. Levenberg-Marquardt with robust reweighting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg
import scipy.sparse
import scipy.sparse.linalg
from numpy.typing import NDArray

from belvedere.align.block_normals import accumulate, residuals
from belvedere.geometry.rotation import matrix_from_vector

_DENSE_LIMIT = 1500  # unknowns up to which the normal matrix is held dense (18 MB)
_COVARIANCE_LIMIT = 6600  # unknowns up to which there is a covariance (350 MB): about 2,200 frames
_COLUMNS = 256  # of the covariance solved for at once
LENS_PARAMETERS = 6  # ln f, principal point (2), corner displacement of k1, k2, k3


@dataclass(frozen=True, slots=True)
class Lens:
    """Interior orientation of a group while it is being solved.

    `offset` is the principal point from the frame's centre in sensor axes, px; `corner` the distorted radius
    of the frame's corner at the starting focal length, which scales the distortion unknowns.
    """

    focal_px: float
    offset: tuple[float, float]
    distortion: tuple[float, float, float]
    corner: float

    def moved(self, step: NDArray[np.float64]) -> Lens:
        c2 = self.corner**2
        k1, k2, k3 = self.distortion
        return replace(
            self,
            focal_px=float(self.focal_px * np.exp(np.clip(step[0], -0.3, 0.3))),
            offset=(float(self.offset[0] + step[1]), float(self.offset[1] + step[2])),
            distortion=(
                float(k1 + step[3] / c2),
                float(k2 + step[4] / c2**2),
                float(k3 + step[5] / c2**3),
            ),
        )


@dataclass(frozen=True, slots=True)
class LensPrior:
    """What is believed of a group before the tie points speak: centre values and one sigma of each.

    ln f; principal point in px; displacement of the corner by k1, k2, k3 as a share of its radius, at the
    lens's own `corner`. The distortion's sigmas are wide enough for ordinary photographic lenses (common
    practice, no published source).
    """

    focal_px: float
    focal_sigma: float = 0.5
    offset_sigma_px: float = 20.0
    corner_sigma: tuple[float, float, float] = (0.06, 0.02, 0.01)
    corner_mean: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def pull(self, lens: Lens) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Residuals of a lens against the prior in sigmas, and the weights d(residual)/d(unknown)."""
        c2 = lens.corner**2
        k1, k2, k3 = lens.distortion
        sigma = np.array(
            [self.focal_sigma, self.offset_sigma_px, self.offset_sigma_px, *self.corner_sigma],
        )
        m1, m2, m3 = self.corner_mean
        value = np.array(
            [
                np.log(lens.focal_px / self.focal_px),
                *lens.offset,
                k1 * c2 - m1,
                k2 * c2**2 - m2,
                k3 * c2**3 - m3,
            ],
        )
        return value / sigma, 1.0 / sigma


@dataclass(frozen=True, slots=True)
class Ties:
    """Tie points of a block, sorted by pair.

    Parameters
    ----------
    pairs : ndarray of shape (p, 2), int64
        Frame indices of every pair.
    start : ndarray of shape (p + 1,), int64
        Tie points start[k] to start[k + 1] belong to pair k.
    points : ndarray of shape (n, 4), float64
        (u, v) in the first frame and (u, v) in the second, from the frames' centres as displayed, px.
    sigma : ndarray of shape (n,), float64
        A priori sigma of a coordinate difference, px.
    """

    pairs: NDArray[np.int64]
    start: NDArray[np.int64]
    points: NDArray[np.float64]
    sigma: NDArray[np.float64]

    @property
    def pair_of(self) -> NDArray[np.int64]:
        """Pair index of every tie point."""
        return np.repeat(np.arange(len(self.pairs)), np.diff(self.start))


@dataclass(frozen=True, slots=True)
class Block:
    """A state of the adjustment: rotations (n, 3, 3) world to camera, lenses, and what belongs to what."""

    rotations: NDArray[np.float64]
    lenses: tuple[Lens, ...]
    lens_of: NDArray[np.int64]
    axes: NDArray[np.float64]  # (n, 2, 2): sensor offsets to displayed offsets

    def lens_table(self) -> NDArray[np.float64]:
        """(groups, 7) of focal, offset x, y, k1, k2, k3, corner, for the kernels."""
        return np.array([[v.focal_px, *v.offset, *v.distortion, v.corner] for v in self.lenses])


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The solution: state, residuals (n, 2) px, robust weights (n,), variance factor and covariance.

    `variance_factor` is the a-posteriori variance of unit weight. `covariance` (unknowns, unknowns) is of
    the a-priori scale, None where the block is too large for a dense inverse or it was not asked for.
    """

    block: Block
    residuals: NDArray[np.float64]
    weights: NDArray[np.float64]
    variance_factor: float
    covariance: NDArray[np.float64] | None


def adjust(
    block: Block,
    ties: Ties,
    priors: Sequence[LensPrior],
    *,
    steps: int = 30,
    robust: float = 2.5,
    solve_lens: bool = True,
    held: Sequence[int] = (0,),
    want_covariance: bool = False,
) -> Adjusted:
    """Solve a block.

    Parameters
    ----------
    block : Block
        Starting state.
    ties : Ties
        Tie points.
    priors : sequence of LensPrior
        One a lens group.
    robust : float
        Where the loss stops growing as a square, in robust sigmas (Geman-McClure weights beyond Huber's).
    solve_lens : bool
        Whether interior orientation is solved too.
    held : sequence of int
        Frames whose rotations are held: one of every part that no tie point connects to the others.

    Returns
    -------
    Adjusted
        Of every part, one rotation is held, so the gauge is that of the start.
    """
    n = len(block.rotations)
    size = 3 * n + LENS_PARAMETERS * len(block.lenses)
    free = np.ones(size, dtype=bool)
    for k in held:
        free[3 * k : 3 * k + 3] = False
    if not solve_lens:
        free[3 * n :] = False
    damping = 1e-4
    scale = 0.0
    error = residuals(
        block.rotations, block.lens_table(), block.lens_of, block.axes, ties.pairs, ties.start, ties.points
    )
    for _ in range(steps):
        scale = robust_scale(error, ties.sigma)
        weights = loss_weights(error, ties.sigma, scale, robust)
        cost = _cost(error, ties.sigma, scale, robust) + _prior_cost(block, priors) * solve_lens
        normal, gradient = _normals(block, ties, weights, priors, scale)
        improved = False
        for _ in range(8):
            step = _solve(normal, gradient, free, damping)
            tried = _moved(block, step)
            new = residuals(
                tried.rotations,
                tried.lens_table(),
                tried.lens_of,
                tried.axes,
                ties.pairs,
                ties.start,
                ties.points,
            )
            new_cost = _cost(new, ties.sigma, scale, robust) + _prior_cost(tried, priors) * solve_lens
            if new_cost <= cost:
                improved = True
                break
            damping = min(damping * 10, 1e6)
        if not improved:
            break
        gained = cost - new_cost
        block, error = tried, new
        damping = max(damping / 10, 1e-9)
        if gained < 1e-6 * max(cost, 1e-12) and float(np.abs(step[: 3 * n]).max(initial=0.0)) < 1e-7:
            break
    scale = robust_scale(error, ties.sigma)
    weights = loss_weights(error, ties.sigma, scale, robust)
    covariance = None
    if want_covariance and size <= _COVARIANCE_LIMIT:
        normal, _ = _normals(block, ties, weights, priors, scale)
        covariance = _covariance(normal, np.flatnonzero(free), scale)
    factor = _variance_factor(error, weights, ties.sigma * scale, size)
    return Adjusted(block, error, weights, scale**2 * factor, covariance)


def _covariance(
    normal: NDArray[np.float64] | scipy.sparse.csc_matrix, index: NDArray[np.int64], scale: float
) -> NDArray[np.float64]:
    """Inverse of the free part of a normal matrix, 0 elsewhere, at the a-priori scale."""
    size = normal.shape[0]
    covariance = np.zeros((size, size))
    if isinstance(normal, np.ndarray):
        covariance[np.ix_(index, index)] = scipy.linalg.pinvh(normal[np.ix_(index, index)]) / scale**2
        return covariance
    inner = normal[index][:, index].tocsc()
    solve = scipy.sparse.linalg.splu(inner).solve
    for start in range(0, len(index), _COLUMNS):
        columns = np.arange(start, min(start + _COLUMNS, len(index)))
        unit = np.zeros((len(index), len(columns)))
        unit[columns, columns - start] = 1.0
        covariance[np.ix_(index, index[columns])] = solve(unit) / scale**2
    return covariance


def robust_scale(error: NDArray[np.float64], sigma: NDArray[np.float64]) -> float:
    """Sigma of unit weight of a coordinate from the median length of the residuals; at least 0.05.

    The median length of a 2-D normal residual is 1.1774 sigma.
    """
    if not len(error):
        return 1.0
    return max(float(np.median(np.hypot(error[:, 0], error[:, 1]) / sigma)) / 1.1774, 0.05)


def loss_weights(
    error: NDArray[np.float64], sigma: NDArray[np.float64], scale: float, robust: float
) -> NDArray[np.float64]:
    """Weights in [0, 1] of the Geman-McClure loss (Barron 2019, alpha = -2): far outliers have no say."""
    q = np.sum(error**2, axis=1) / (sigma * scale * robust) ** 2
    return np.asarray(1.0 / (1.0 + q / 4.0) ** 2)


def _cost(error: NDArray[np.float64], sigma: NDArray[np.float64], scale: float, robust: float) -> float:
    q = np.sum(error**2, axis=1) / (sigma * scale * robust) ** 2
    return float(np.sum(0.5 * robust**2 * q / (1.0 + q / 4.0)))


def _prior_cost(block: Block, priors: Sequence[LensPrior]) -> float:
    return sum(0.5 * float(np.sum(p.pull(v)[0] ** 2)) for v, p in zip(block.lenses, priors, strict=True))


def _normals(
    block: Block, ties: Ties, weights: NDArray[np.float64], priors: Sequence[LensPrior], scale: float
) -> tuple[NDArray[np.float64] | scipy.sparse.csc_matrix, NDArray[np.float64]]:
    n = len(block.rotations)
    blocks, gradients, unknowns = accumulate(
        block.rotations,
        block.lens_table(),
        block.lens_of,
        block.axes,
        ties.pairs,
        ties.start,
        ties.points,
        weights / (ties.sigma * scale) ** 2,
    )
    size = 3 * n + LENS_PARAMETERS * len(block.lenses)
    gradient = np.zeros(size) + np.bincount(unknowns.ravel(), weights=gradients.ravel(), minlength=size)
    rows = np.repeat(unknowns, unknowns.shape[1], axis=1).ravel()
    columns = np.tile(unknowns, (1, unknowns.shape[1])).ravel()
    diagonal = np.zeros(size)
    for g, (lens, prior) in enumerate(zip(block.lenses, priors, strict=True)):
        value, slope = prior.pull(lens)
        at = slice(3 * n + LENS_PARAMETERS * g, 3 * n + LENS_PARAMETERS * (g + 1))
        diagonal[at] += slope**2
        gradient[at] += slope * value
    if size <= _DENSE_LIMIT:
        dense = np.bincount(rows * size + columns, weights=blocks.ravel(), minlength=size * size)
        normal: NDArray[np.float64] = dense.reshape(size, size).astype(np.float64, copy=False)
        normal[np.diag_indices(size)] += diagonal
        return normal, gradient
    sparse = scipy.sparse.coo_matrix((blocks.ravel(), (rows, columns)), shape=(size, size)).tocsc()
    return (sparse + scipy.sparse.diags(diagonal)).tocsc(), gradient


def _solve(
    normal: NDArray[np.float64] | scipy.sparse.csc_matrix,
    gradient: NDArray[np.float64],
    free: NDArray[np.bool_],
    damping: float,
) -> NDArray[np.float64]:
    step = np.zeros(len(gradient))
    index = np.flatnonzero(free)
    if not isinstance(normal, np.ndarray):
        inner = normal[index][:, index].tocsc()
        diagonal = inner.diagonal()
        inner = inner + scipy.sparse.diags(damping * diagonal + 1e-9 * diagonal.max() + 1e-30)
        step[index] = scipy.sparse.linalg.splu(inner.tocsc()).solve(-gradient[index])
        return step
    inner = np.array(normal[np.ix_(index, index)])
    diagonal = np.diag(inner).copy()
    inner[np.diag_indices(len(index))] += damping * diagonal + 1e-12 * diagonal.max(initial=0.0) + 1e-30
    try:
        step[index] = scipy.linalg.solve(inner, -gradient[index], assume_a="pos")
    except np.linalg.LinAlgError:
        step[index] = np.linalg.lstsq(inner, -gradient[index], rcond=None)[0]
    return step


def _moved(block: Block, step: NDArray[np.float64]) -> Block:
    n = len(block.rotations)
    turn = matrix_from_vector(step[: 3 * n].reshape(n, 3))
    lenses = tuple(
        lens.moved(step[3 * n + LENS_PARAMETERS * g : 3 * n + LENS_PARAMETERS * (g + 1)])
        for g, lens in enumerate(block.lenses)
    )
    return replace(block, rotations=block.rotations @ np.swapaxes(turn, 1, 2), lenses=lenses)


def _variance_factor(
    error: NDArray[np.float64], weights: NDArray[np.float64], sigma: NDArray[np.float64], unknowns: int
) -> float:
    """Variance of unit weight from the weighted residuals and the redundancy."""
    q = np.sum(error**2, axis=1) / sigma**2
    redundancy = max(2.0 * float(weights.sum()) - unknowns, 1.0)
    return float(np.sum(weights * q)) / redundancy
