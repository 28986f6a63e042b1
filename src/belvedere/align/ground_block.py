"""The block that the ground holds, where clouds drift: frames tied by clouds alone are taken out of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Block, LensPrior, Ties, adjust
from belvedere.align.links import components_of_pairs
from belvedere.align.moving_sky import MovingSky
from belvedere.align.solve import Solved, cameras_of
from belvedere.align.start import Sights
from belvedere.geometry.camera import Camera

_LEAST_TIES = 6  # on the ground, that hold a pair together
_LEAST_SHARE = 0.4  # of the frames that the ground must hold; else the sky tells no less than it
_UNEVEN = 0.3  # of the drift, by which clouds move unlike each other


@dataclass(frozen=True, slots=True)
class Drifting:
    """Frames tied by drifting clouds alone.

    Parameters
    ----------
    frames : tuple of int
        Frame indices.
    block : Block
        Where the clouds have them, in the world of the block that the ground holds.
    lag : ndarray of shape (m,)
        Seconds by which the clouds' drift enters their place.
    own : ndarray of shape (m,)
        Seconds from the exposure that each is tied to next in time.
    rate : float
        Of the drift, rad per second.
    """

    frames: tuple[int, ...]
    block: Block
    lag: NDArray[np.float64]
    own: NDArray[np.float64]
    rate: float

    def cameras(self, sights: Sights) -> list[Camera]:
        """Cameras of `frames` as the clouds have them."""
        return cameras_of(self.block, self.frames, sights)

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Of their turns, (m, 3, m, 3), rad^2: one drift for all, growing with time, and some of each."""
        common = np.outer(self.lag, self.lag) * self.rate**2
        each = np.diag((_UNEVEN * self.rate * np.maximum(np.abs(self.lag), self.own)) ** 2)
        return np.asarray(np.einsum("ab,ij->aibj", common + each, np.eye(3)))


def hold_to_ground(
    sights: Sights,
    solved: Solved,
    moving: MovingSky,
    priors: Sequence[LensPrior],
    seconds: Sequence[float],
) -> tuple[Solved, Drifting | None]:
    """Solve a block again by the details that hold.

    Parameters
    ----------
    solved : Solved
        By all details.
    seconds : sequence of float
        When every frame of the series was exposed.

    Returns
    -------
    solved, drifting
        Of the frames that the ground holds; the others. As it was, and None, where the ground holds too few.
    """
    cameras = solved.cameras(sights)
    ties = solved.ties
    sky = moving.is_sky(_directions(sights, solved, cameras))
    ground = np.add.reduceat(~sky, ties.start[:-1]) * (np.diff(ties.start) > 0) if len(sky) else np.zeros(0)
    held = ground >= _LEAST_TIES
    by_hand = {(s.a, s.b) for s in sights.by_hand}
    held |= np.array(
        [(solved.frames[i], solved.frames[j]) in by_hand for i, j in ties.pairs.tolist()], dtype=bool
    )
    parts = components_of_pairs(len(solved.frames), ties.pairs[held])
    if len(parts) == 1 or len(parts[0]) < max(2, _LEAST_SHARE * len(solved.frames)):
        return solved, None
    stay = np.array(sorted(parts[0]))
    gone = np.array(sorted(set(range(len(solved.frames))) - set(parts[0])))
    at = np.full(len(solved.frames), -1)
    at[stay] = np.arange(len(stay))
    use = held & (at[ties.pairs] >= 0).all(axis=1)
    kept = _part_of(ties, use, ~sky, at)
    block = solved.adjusted.block
    adjusted = adjust(_block_of(block, stay), kept, priors, want_covariance=True)
    frames = tuple(solved.frames[k] for k in stay)
    lag, own = _lags(ties, at < 0, np.array([seconds[i] for i in solved.frames]))
    drifting = Drifting(
        tuple(solved.frames[k] for k in gone), _block_of(block, gone), lag[gone], own[gone], moving.rate
    )
    return replace(solved, frames=frames, adjusted=adjusted, ties=kept), drifting


def _directions(sights: Sights, solved: Solved, cameras: Sequence[Camera]) -> NDArray[np.float64]:
    """World direction of every tie point, by its first frame."""
    out = np.empty((len(solved.ties.points), 3))
    for k, (i, _) in enumerate(solved.ties.pairs.tolist()):
        part = slice(int(solved.ties.start[k]), int(solved.ties.start[k + 1]))
        out[part] = cameras[i].rays(solved.ties.points[part, :2] + sights.centres[solved.frames[i]])
    return out


def _block_of(block: Block, which: NDArray[np.int64]) -> Block:
    return Block(block.rotations[which], block.lenses, block.lens_of[which], block.axes[which])


def _part_of(ties: Ties, pairs: NDArray[np.bool_], points: NDArray[np.bool_], at: NDArray[np.int64]) -> Ties:
    """Ties of some pairs, and of these only the points wanted (all, where fewer than needed are)."""
    chosen = np.flatnonzero(pairs)
    keep = []
    for k in chosen:
        own = np.arange(ties.start[k], ties.start[k + 1])
        wanted = own[points[own]]
        keep.append(wanted if len(wanted) >= _LEAST_TIES else own)
    start = np.concatenate([[0], np.cumsum([len(v) for v in keep])]).astype(np.int64)
    index = np.concatenate(keep) if keep else np.empty(0, dtype=np.int64)
    return Ties(at[ties.pairs[chosen]], start, ties.points[index], ties.sigma[index])


def _lags(
    ties: Ties, loose: NDArray[np.bool_], seconds: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Seconds of drift in every loose frame's place, as its ties share it out; and to its nearest in time."""
    n = len(loose)
    normal, right = np.zeros((n, n)), np.zeros(n)
    nearest = np.full(n, math.inf)
    for k, (i, j) in enumerate(ties.pairs.tolist()):
        weight, lapse = float(ties.start[k + 1] - ties.start[k]), float(seconds[i] - seconds[j])
        if not (loose[i] or loose[j]) or weight <= 0.0:
            continue
        normal[i, i] += weight
        normal[j, j] += weight
        normal[i, j] -= weight
        normal[j, i] -= weight
        right[i] += weight * lapse
        right[j] -= weight * lapse
        for k_ in (i, j):
            nearest[k_] = min(nearest[k_], abs(lapse))
    lag = np.zeros(n)
    own = np.flatnonzero(loose)
    inner = normal[np.ix_(own, own)] + 1e-6 * np.eye(len(own))
    lag[own] = np.linalg.solve(inner, right[own])
    return lag, np.where(np.isfinite(nearest), nearest, 0.0)
