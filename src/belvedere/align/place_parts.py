"""The parts of a finely solved block, turned to where the regular steps of the turn have them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from belvedere.align.join_blocks import Joined
from belvedere.align.solve import Solved
from belvedere.align.turn_grid import Places, fit_turn


@dataclass(frozen=True, slots=True)
class GridJoin:
    """How surely the parts of a solved block stand against each other.

    Parameters
    ----------
    part_of : ndarray of shape (n,), int64
        Of the solved block's frames.
    covariance : ndarray of shape (parts, 3, parts, 3)
        Of the parts' turns against the first part, as small rotations in the world, rad^2.
    gaps : tuple of (left, right, missing)
        Places in the solved block of the frames on either side of a gap, and how many frames it misses.
    """

    part_of: NDArray[np.int64]
    covariance: NDArray[np.float64]
    gaps: tuple[tuple[int, int, int], ...]


def place_parts(solved: Solved, joined: Joined) -> tuple[Solved, GridJoin | None]:
    """Turn the parts of a finely solved block to where the grid has them, and say how surely.

    Parameters
    ----------
    solved : Solved
        Of `joined.rough`; tie points within the parts only.

    Returns
    -------
    solved, join
        The covariance of the first holds how the parts stand against each other; where there is a single
        part it is as it was and the second is None.
    """
    if joined.places is None or joined.head is None:
        return solved, None
    block, places = solved.adjusted.block, joined.places
    grid = fit_turn(block.rotations, places, joined.head)
    rotations = np.stack([r @ grid.turns[p].T for r, p in zip(block.rotations, places.part, strict=True)])
    adjusted = replace(solved.adjusted, block=replace(block, rotations=rotations))
    against = grid.covariance
    factor = max(adjusted.variance_factor, 1e-12)
    if adjusted.covariance is not None:
        n = 3 * len(places.part)
        turn = scipy.linalg.block_diag(*grid.turns[places.part])
        own = turn @ adjusted.covariance[:n, :n] @ turn.T
        carried, by_step = _carried(places, grid.head[1])
        against = against + factor * (by_step @ own @ by_step.T).reshape(against.shape)
        whole = adjusted.covariance.copy()
        common = grid.covariance[places.part][:, :, places.part].reshape(n, n)
        whole[:n, :n] = carried @ own @ carried.T + common / factor
        adjusted = replace(adjusted, covariance=whole)
    return replace(solved, adjusted=adjusted), GridJoin(places.part, against, _gaps(places))


def _carried(places: Places, down: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How small errors of the frames' turns, each part in a gauge of its own, pass on through the grid.

    Returns
    -------
    carried : ndarray of shape (3 n, 3 n)
        To the turns of all frames once joined: a part goes with the mean of the first, and as far as the
        step carries it; the step follows from all parts (least squares).
    by_step : ndarray of shape (3 parts, 3 n)
        To every part's turn by the step alone.
    """
    n, parts = len(places.part), int(places.part.max()) + 1
    mean = (places.part[None, :] == np.arange(parts)[:, None]).astype(np.float64)
    mean /= mean.sum(axis=1, keepdims=True)
    column = places.column.astype(np.float64)
    within = column - (mean @ column)[places.part]
    slope = within / float(within @ within)
    far = mean @ column - float(mean[0] @ column)
    along = np.outer(down, down)
    by_step = np.kron(np.outer(far, slope), along)
    follows = np.eye(n) + (mean[0][None, :] - mean[places.part]) * (places.part > 0)[:, None]
    carried = np.kron(follows, np.eye(3)) + np.kron(np.outer(far[places.part], slope), along)
    return np.asarray(carried, dtype=np.float64), np.asarray(by_step, dtype=np.float64)


def _gaps(places: Places) -> tuple[tuple[int, int, int], ...]:
    """Neighbours in a row of different parts, more than a step apart."""
    out = []
    for row in sorted(set(places.row.tolist())):
        own = np.flatnonzero(places.row == row)
        own = own[np.argsort(places.column[own], kind="stable")]
        for a, b in zip(own[:-1].tolist(), own[1:].tolist(), strict=True):
            missing = int(places.column[b] - places.column[a]) - 1
            if places.part[a] != places.part[b] and missing > 0:
                out.append((a, b, missing))
    return tuple(out)
