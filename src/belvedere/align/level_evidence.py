"""What one kind of evidence says of the direction of gravity, and how several are put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import LevelSource

_WELL_DEFINED = np.radians(0.5)  # the person's word leaves to others what it knows worse than this
_TRUST = {"person": 0, "pan-axis": 2}
_MISTAKEN: tuple[LevelSource, ...] = ("person", "verticals", "tags", "sea-horizon", "pan-axis")
_CONTRADICTS = 16.0  # squared sigmas, 2 degrees of freedom: 1 in 3000 by chance


@dataclass(frozen=True, slots=True)
class Evidence:
    """An estimate of gravity's direction.

    Parameters
    ----------
    source : LevelSource
        Which kind.
    down : ndarray of shape (3,), float64
        Unit vector, world.
    covariance : ndarray of shape (3, 3), float64
        Of `down`, rad^2; its part along `down` is not read. Large in a direction it says nothing of.
    words : str
        In plain words, as the end of "level: ".
    """

    source: LevelSource
    down: NDArray[np.float64]
    covariance: NDArray[np.float64]
    words: str

    @property
    def sigma(self) -> float:
        """RMS of the angle between the estimate and the truth, rad."""
        across = np.eye(3) - np.outer(self.down, self.down)
        return float(np.sqrt(np.trace(across @ self.covariance @ across)))


def tangent(down: NDArray[np.float64]) -> NDArray[np.float64]:
    """Two unit vectors (2, 3) across a unit vector and each other."""
    first = np.zeros(3)
    first[int(np.argmin(np.abs(down)))] = 1.0
    first -= (first @ down) * down
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(down, first)])


def moved(down: NDArray[np.float64], step: NDArray[np.float64]) -> NDArray[np.float64]:
    """The unit vector a small step (2,), rad, away in the axes of `tangent(down)`."""
    angle = float(np.linalg.norm(step))
    if angle == 0.0:
        return down
    return np.asarray(np.cos(angle) * down + np.sin(angle) / angle * (step @ tangent(down)))


def step_to(down: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """The step (2,), rad, with `moved(down, step) == other`."""
    flat = tangent(down) @ other
    length = float(np.linalg.norm(flat))
    if length < 1e-15:
        return np.zeros(2)
    return np.asarray(flat / length * np.arctan2(length, float(other @ down)))


def combine(evidence: Sequence[Evidence]) -> Evidence:
    """Put evidence together by its covariances; source and words are those of the most trusted.

    The person's word is diluted by nothing: others speak only where it leaves a direction open. Other
    evidence that contradicts what is harder to mistake is left out, and named.

    Parameters
    ----------
    evidence : sequence of Evidence
        At least one; the covariance of a pan axis must hold how far out of level a head may be.
    """
    ranked = sorted(evidence, key=lambda e: (_TRUST.get(e.source, 1), e.sigma))
    at = ranked[0].down
    heard = _heard(ranked)
    for _ in range(4):  # the tangent plane moves with the estimate
        information, pull = np.zeros((2, 2)), np.zeros(2)
        for e in heard:
            part = _information(e, at)
            if e.source != "person" and heard[0].source == "person":
                open_ = _left_open(_information(heard[0], at))
                part = open_ @ part @ open_
            information += part
            pull += part @ step_to(at, e.down)
        at = moved(at, np.asarray(np.linalg.solve(information, pull), dtype=np.float64))
    axes = tangent(at)
    covariance = axes.T @ np.linalg.inv(information) @ axes
    words = heard[0].words
    if len(heard) < len(ranked):
        out = [e for e in ranked if not any(e is h for h in heard) and e.source != "pan-axis"]
        said = " and ".join(_NAMES[e.source] for e in out)
        if said:
            words += f"; {said} contradict{'s' if len(out) == 1 else ''} it and had no say"
    return Evidence(heard[0].source, at, covariance, words)


_NAMES = {
    "person": "what was set by hand",
    "tags": "the camera's own level",
    "sea-horizon": "a line taken for the sea horizon",
    "verticals": "upright lines",
    "pan-axis": "the pan axis",
}


def _heard(ranked: Sequence[Evidence]) -> list[Evidence]:
    """Evidence that contradicts nothing that is harder to mistake, in the order given.

    A straight edge of another kind can pass for the sea's horizon: plumb lines and tags have a veto on it.
    """
    kept: list[Evidence] = []
    for e in sorted(ranked, key=lambda e: _MISTAKEN.index(e.source)):
        if all(_apart(e, k) <= _CONTRADICTS for k in kept):
            kept.append(e)
    return [e for e in ranked if any(e is k for k in kept)]


def _apart(a: Evidence, b: Evidence) -> float:
    """Squared distance of two estimates in sigmas."""
    step = step_to(a.down, b.down)
    both = np.linalg.inv(_information(a, a.down)) + np.linalg.inv(_information(b, a.down))
    return float(step @ np.linalg.solve(both, step))


def _information(e: Evidence, at: NDArray[np.float64]) -> NDArray[np.float64]:
    axes = tangent(at)
    # carried along the great circle from e.down to `at`, so that "sideways" stays sideways
    turned = axes @ _carry(e.down, at)
    return np.asarray(np.linalg.inv(turned @ e.covariance @ turned.T + 1e-14 * np.eye(2)))


def _carry(start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.float64]:
    """The smallest rotation that takes one unit vector to another (not its opposite)."""
    v = np.cross(start, end)
    k = np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
    return np.asarray(np.eye(3) + k + k @ k / (1.0 + max(float(start @ end), -0.999)))


def _left_open(information: NDArray[np.float64]) -> NDArray[np.float64]:
    """Projection (2, 2) on the directions in which an estimate is not sure."""
    values, vectors = np.linalg.eigh(information)
    unsure = vectors[:, values < 1.0 / _WELL_DEFINED**2]
    return np.asarray(unsure @ unsure.T)
