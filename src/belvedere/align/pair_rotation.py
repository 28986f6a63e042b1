"""The rotation between two frames from matched rays: sampling, then a robust fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_TRIALS = 600
_PROBES = 32  # agreeing rays by which two rotations are told apart
_TELLING = 2.0  # tolerances that these must move on average


@dataclass(frozen=True, slots=True)
class PairRotation:
    """The rotation that takes camera rays of a to camera rays of b, and who agrees.

    Parameters
    ----------
    rotation : ndarray of shape (3, 3), float64
        ray_b = rotation @ ray_a.
    inliers : ndarray of shape (n,), bool
        Matches within the tolerance.
    rival : float
        Score of the best clearly different rotation over this one's, 0 to 1: near 1 the pair is ambiguous.
    """

    rotation: NDArray[np.float64]
    inliers: NDArray[np.bool_]
    rival: float


def fit_rotation(
    a: NDArray[np.float64], b: NDArray[np.float64], weights: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Weighted least-squares rotation with b = R a of unit rays (n, 3) (Kabsch 1976; Umeyama 1991)."""
    w = np.ones(len(a)) if weights is None else weights
    u, _, vt = np.linalg.svd((b * w[:, None]).T @ a)
    d = np.sign(np.linalg.det(u @ vt))
    return np.asarray(u @ np.diag([1.0, 1.0, d]) @ vt)


def find_rotation(
    rays_a: NDArray[np.float64],
    rays_b: NDArray[np.float64],
    tolerance: float,
    *,
    different: float,
    seed: int = 0,
) -> PairRotation | None:
    """Find the rotation most matches agree on (MSAC: Torr & Zisserman 2000, two matches a trial).

    Parameters
    ----------
    rays_a, rays_b : ndarray of shape (n, 3), float64
        Unit rays in either camera's axes.
    tolerance : float
        Largest angle in rad between a turned ray and its partner that counts as agreement.
    different : float
        Rotations that differ by more than this angle in rad count as rivals, if it moves what was matched.

    Returns
    -------
    PairRotation or None
        None when fewer than 3 matches are given or nothing agrees.
    """
    n = len(rays_a)
    if n < 3:
        return None
    rng = np.random.default_rng(seed + n)
    first = rng.integers(0, n, _TRIALS)
    second = (first + rng.integers(1, n, _TRIALS)) % n
    trials = _from_two(rays_a[first], rays_a[second], rays_b[first], rays_b[second])
    scores = np.empty(_TRIALS)
    for start in range(0, _TRIALS, 100):  # bounds memory: 100 trials x n matches at a time
        turned = trials[start : start + 100] @ rays_a.T  # (t, 3, n)
        e2 = 2.0 - 2.0 * np.einsum("tkn,nk->tn", turned, rays_b)
        scores[start : start + 100] = np.clip(1.0 - e2 / tolerance**2, 0.0, None).sum(axis=1)
    best = int(np.argmax(scores))
    if scores[best] <= 0:
        return None
    rotation = trials[best]
    for _ in range(6):
        e2 = _error2(rotation, rays_a, rays_b)
        w = np.clip(1.0 - e2 / (tolerance * 1.5) ** 2, 0.0, None) ** 2  # Tukey's biweight
        if np.count_nonzero(w) < 3:
            return None
        rotation = fit_rotation(rays_a, rays_b, w)
    inliers = _error2(rotation, rays_a, rays_b) < tolerance**2
    score = float(np.clip(1.0 - _error2(rotation, rays_a, rays_b) / tolerance**2, 0.0, None).sum())
    apart = np.einsum("tij,ij->t", trials, rotation)  # trace of the relative rotation
    few = rays_a[inliers][:: max(1, int(np.count_nonzero(inliers)) // _PROBES)]
    # through a long lens a roll moves nothing: what cannot be told apart is no rival
    moved = (
        np.linalg.norm((trials - rotation) @ few.T, axis=1).mean(axis=1) if len(few) else np.zeros(_TRIALS)
    )
    rivals = scores[(apart < 1.0 + 2.0 * np.cos(different)) & (moved > _TELLING * tolerance)]
    rival = float(rivals.max(initial=0.0)) / max(score, 1e-9)
    return PairRotation(rotation, np.asarray(inliers), rival)


def _error2(
    rotation: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(np.sum((a @ rotation.T - b) ** 2, axis=1))


def _from_two(
    a1: NDArray[np.float64], a2: NDArray[np.float64], b1: NDArray[np.float64], b2: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Rotations (t, 3, 3) from two rays each, treating both alike (bisector and normal as axes)."""
    return np.asarray(_axes(b1, b2) @ np.swapaxes(_axes(a1, a2), 1, 2))


def _axes(v1: NDArray[np.float64], v2: NDArray[np.float64]) -> NDArray[np.float64]:
    middle = v1 + v2
    normal = np.cross(v1, v2)
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-12)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return np.stack([middle, normal, np.cross(middle, normal)], axis=2)
