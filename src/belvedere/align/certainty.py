"""How sure every frame's place is, and what speaks against it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import LENS_PARAMETERS
from belvedere.align.find_block import FoundBlock
from belvedere.align.overlaps import frame_grid, overlapping_pairs
from belvedere.align.place_parts import GridJoin
from belvedere.align.place_plain import PlainFrames
from belvedere.align.solve import Solved
from belvedere.align.start import Pair
from belvedere.geometry.camera import Camera

# Where a placement is called doubtful. Common practice, no published source; checked on simulated sets.
_FOUND_SHARE = 0.35  # of the details looked for again at full resolution
_FEW_TIES = 12
_SIGMA_SHARE = 0.00025  # of the long side
_DRIFT_SHARE = 0.00012  # of the long side, one sigma against the block as a whole
_WIDE = 0.0003  # one sigma of ln(focal length)
_RIVAL = 0.6
_FIT_TIES = 6  # of a pair that tell how well it fits
_MEDIAN = 2.0 * math.log(2.0)  # of chi-square with two degrees of freedom
_LONE_LINK = 25  # agreeing matches below which a frame's only link is called thin


def placement_sigmas(solved: Solved, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """RMS over every frame of its 1-sigma shift against the frames it overlaps, px.

    From the covariance of the adjustment (rotations), times the a-posteriori variance factor of the block, or
    of the pair's own tie points where these fit worse. NaN where the block is too large for a dense inverse.
    How parts that meet nowhere stand against each other has no say.

    Parameters
    ----------
    cameras : sequence of Camera
        In the world of `solved`.
    """
    n = len(solved.frames)
    out = np.full(n, np.nan)
    covariance = solved.adjusted.covariance
    if covariance is None:
        return out
    factor = max(solved.adjusted.variance_factor, 0.0)
    squares: list[list[float]] = [[] for _ in range(n)]
    off = np.hypot(*solved.adjusted.residuals.T) / solved.ties.sigma
    for k, (i, j) in enumerate(solved.ties.pairs.tolist()):
        own = off[int(solved.ties.start[k]) : int(solved.ties.start[k + 1])]
        fit = max(factor, float(np.median(own**2)) / _MEDIAN) if len(own) >= _FIT_TIES else factor
        a, b = slice(3 * i, 3 * i + 3), slice(3 * j, 3 * j + 3)
        relative = covariance[a, a] + covariance[b, b] - covariance[a, b] - covariance[b, a]
        for me in (i, j):
            squares[me].append(_mean_shift2(relative, cameras[me]) * fit)
    for i in range(n):
        if squares[i]:
            out[i] = float(np.sqrt(np.mean(squares[i])))
    return out


def grid_sigmas(join: GridJoin, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """One sigma of every frame's shift against the first part, px; 0 for the first part's own frames."""
    shift2 = [_mean_shift2(join.covariance[p, :, p], c) for p, c in zip(join.part_of, cameras, strict=True)]
    return np.asarray(np.sqrt(np.maximum(shift2, 0.0)))


def plain_sigmas(
    covariance: NDArray[np.float64],
    cameras: Sequence[Camera],
    tied: Sequence[Camera],
    tied_sigmas: NDArray[np.float64],
) -> NDArray[np.float64]:
    """RMS over every frame that the grid places of its 1-sigma shift against the frames it overlaps, px.

    Parameters
    ----------
    covariance : ndarray of shape (m, 3, m, 3)
        Of the frames' turns against the tied ones, rad^2.
    cameras, tied : sequences of Camera
        Of these frames, and of the tied ones.
    tied_sigmas : ndarray
        Placement sigmas of the tied ones, px; NaN where not known.
    """
    every = [*cameras, *tied]
    m = len(cameras)
    near: list[list[int]] = [[] for _ in cameras]
    for a, b in overlapping_pairs(range(len(every)), every):
        for me, other in ((a, b), (b, a)):
            if me < m:
                near[me].append(other)
    out = np.empty(m)
    for i, camera in enumerate(cameras):
        squares = []
        for j in near[i]:
            relative = covariance[i, :, i]
            if j < m:
                relative = relative + covariance[j, :, j] - covariance[i, :, j] - covariance[j, :, i]
            own = 0.0 if j < m else float(np.nan_to_num(tied_sigmas[j - m])) ** 2
            squares.append(_mean_shift2(relative, camera) + own)
        out[i] = math.sqrt(max(float(np.mean(squares)), 0.0)) if squares else math.nan
    return out


def plain_doubts(
    sigmas: NDArray[np.float64], cameras: Sequence[Camera], plain: PlainFrames
) -> list[str | None]:
    """For every frame that no detail ties, a sentence where it is less sure than the whole promises."""
    out: list[str | None] = []
    for k, (s, c) in enumerate(zip(sigmas.tolist(), cameras, strict=True)):
        what = "only drifting clouds tie it" if plain.drifting[k] else "shows nothing to tie it by"
        how = "placed by the steps of the turn, " if plain.by_grid[k] else ""
        sure = f"sure to about {_figure(s)} px (one sigma)"
        out.append(f"{what}; {how}{sure}" if not s <= _SIGMA_SHARE * max(c.width, c.height) else None)
    return out


def drift_sigmas(solved: Solved, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """One sigma of every frame's place against the block as a whole, px.

    Large where a long open chain hangs on its focal length: neighbours fit, the ends may be off. NaN where
    the block is too large for a dense inverse.
    """
    n = len(solved.frames)
    covariance = solved.adjusted.covariance
    if covariance is None:
        return np.full(n, np.nan)
    turns = covariance[: 3 * n, : 3 * n].reshape(n, 3, n, 3)
    with_mean = turns.mean(axis=2)  # (n, 3, 3): of a frame's turn with the mean turn
    mean = with_mean.mean(axis=0)
    factor = max(solved.adjusted.variance_factor, 0.0)
    out = np.empty(n)
    for i in range(n):
        relative = turns[i, :, i, :] - with_mean[i] - with_mean[i].T + mean
        out[i] = np.sqrt(max(_mean_shift2(relative, cameras[i]), 0.0) * factor)
    return out


def focal_sigma(solved: Solved) -> float:
    """One sigma of ln(focal length) of the least certain lens group; NaN where there is no dense inverse."""
    covariance = solved.adjusted.covariance
    if covariance is None:
        return float("nan")
    variances = np.diag(covariance)[3 * len(solved.frames) :: LENS_PARAMETERS]
    return float(np.sqrt(max(variances.max(), 0.0) * max(solved.adjusted.variance_factor, 0.0)))


def _mean_shift2(covariance: NDArray[np.float64], camera: Camera) -> float:
    """Mean over the frame of the variance of a ray's shift under a random small turn, px^2, a coordinate."""
    w = camera.rays(frame_grid(camera, 5))
    # a turn d moves w by d x w: variance = trace of [w]x C [w]x^T = trace(C) - w^T C w
    variance = np.trace(covariance) - np.einsum("ni,ij,nj->n", w, covariance, w)
    return float(np.mean(variance)) * camera.focal_px**2 / 2.0


def doubts(
    solved: Solved,
    sigmas: NDArray[np.float64],
    block: FoundBlock,
    cameras: Sequence[Camera],
    names: Sequence[str],
    join: GridJoin | None = None,
) -> list[str | None]:
    """For every frame of the block, the sentence that speaks against its place, or None."""
    at = {i: k for k, i in enumerate(solved.frames)}
    drift = drift_sigmas(solved, cameras)
    by_grid = _grid_doubts(cameras, drift, join)
    wide = focal_sigma(solved)
    width = f"fits its neighbours, but how wide the whole is, is known only to {100 * wide:.1g} % (one sigma)"
    out: list[str | None] = []
    ties = np.zeros(len(at), dtype=int)
    for k, (i, j) in enumerate(solved.ties.pairs.tolist()):
        count = int(solved.ties.start[k + 1] - solved.ties.start[k])
        ties[i] += count
        ties[j] += count
    for i, k in at.items():
        tried, found = _found(solved.found, i)
        own = [v for v in block.kept if i in (v.a, v.b)]
        long_side = max(cameras[k].width, cameras[k].height)
        against = [v for v in block.lost if i in (v.a, v.b) and v.a in at and v.b in at]
        unlike = [b if i == a else a for a, b in block.unlike if i in (a, b)]
        said = None
        if unlike:
            said = f"shows something else than {names[unlike[0]]} where the two should overlap"
        elif ties[k] < _FEW_TIES:
            said = f"held by only {ties[k]} tie points"
        elif tried >= 10 and found < _FOUND_SHARE * tried:
            said = f"only {found} of {tried} details were found again where its place says they are"
        elif np.isfinite(sigmas[k]) and sigmas[k] > _SIGMA_SHARE * long_side:
            said = f"its place is sure only to about {sigmas[k]:.1g} px (one sigma)"
        elif by_grid[k]:
            said = by_grid[k]
        elif np.isfinite(drift[k]) and drift[k] > _DRIFT_SHARE * long_side:
            said = width
            if wide < _WIDE:  # then a weak joint lets the block's parts move, not its lens
                said = (
                    f"fits its neighbours, but its place in the whole is sure only to about {drift[k]:.1g} px"
                )
        elif own and all(v.rival > _RIVAL for v in own):
            said = "what it shows repeats, and another place fits nearly as well"
        elif len(own) == 1 and not own[0].by_hand and np.count_nonzero(own[0].inliers) < _LONE_LINK:
            said = f"held by one neighbour only, with {np.count_nonzero(own[0].inliers)} agreeing details"
        elif len(against) > len(own):
            said = f"{len(against)} of its overlaps contradict its place"
        out.append(said)
    return out


def _grid_doubts(
    cameras: Sequence[Camera], drift: NDArray[np.float64], join: GridJoin | None
) -> list[str | None]:
    """What is said of frames whose part is joined to the others by the grid alone."""
    out: list[str | None] = [None] * len(cameras)
    if join is None:
        return out
    apart = grid_sigmas(join, cameras)
    for k, part in enumerate(join.part_of.tolist()):
        sure = float(apart[join.part_of == part].max() if part else apart.max())
        against_all = float(drift[k] if np.isfinite(drift[k]) else sure)
        if against_all <= _DRIFT_SHARE * max(cameras[k].width, cameras[k].height) or sure < against_all:
            continue  # sure enough, or it is the width of the whole that is not
        to = f"to about {_figure(sure)} px (one sigma)"
        if part:
            out[k] = f"placed by the steps of the turn, sure {to}; no detail in common with the rest"
        else:
            out[k] = f"fits its neighbours, but the part beyond the gap only {to}"
    return out


def _figure(px: float) -> str:
    """Two figures at most, never as a power of ten."""
    return f"{float(f'{px:.2g}'):g}"


def _found(found: dict[Pair, tuple[int, int]], frame: int) -> tuple[int, int]:
    tried = sum(t for (a, b), (t, _) in found.items() if frame in (a, b))
    return tried, sum(f for (a, b), (_, f) in found.items() if frame in (a, b))
