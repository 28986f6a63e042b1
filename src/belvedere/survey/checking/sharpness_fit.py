"""Every frame's sharpness against its neighbours, from the same details seen by two frames at a time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, diags

from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.overlap_field import OverlapField, cameras_of, grey
from belvedere.survey.checking.window_sharpness import DIRECTIONS, WINDOW_PX, window_sharpness

_WINDOWS = 12  # of a pair
_SAME_FOCAL = 0.05  # log: frames of another focal length show the same detail coarser or finer
_LEAST_TRUST = 0.5  # a window with more noise than this has no say
_FALL_OFF = 1.0  # prior, one sigma, of the lens's fall-off of sharpness over the frame, natural log of energy
_OWN = 0.2  # prior, one sigma, of a usual frame's own sharpness: most are as sharp as each other
_ROUNDS = 8
_LOST = -5.0  # log of the fine over the coarse band from which nothing is left to tell apart
_CUT = 2.0  # residuals of so many sigmas weigh a half (Cauchy)
_LEAST_SIGMA = 0.08  # of one window, natural log


@dataclass(frozen=True, slots=True)
class Sharpness:
    """Sharpness of the frames that share details.

    Parameters
    ----------
    frames : tuple of int
        Their indices in the set.
    energy : ndarray of shape (n, 4), float64
        log of fine-band energy by direction of frequency (0, 45, 90, 135 degrees from x towards y) against
        the set's median.
    sigma : ndarray of shape (n,), float64
        One sigma of `energy`.
    windows : ndarray of shape (n,), int64
        How many windows it was measured in.
    """

    frames: tuple[int, ...]
    energy: NDArray[np.float64]
    sigma: NDArray[np.float64]
    windows: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Seen:
    """One detail seen by two frames: difference of log energy b - a (4,), and where it lies in either."""

    a: int
    b: int
    step: NDArray[np.float64]
    place: NDArray[np.float64]


def measure_sharpness(
    checked: Checked, fields: Sequence[OverlapField], run: Mapper = map
) -> Sharpness | None:
    """Measure every frame's sharpness against the others'; None where there is too little to go by.

    A lens draws the corners softer, and may be off centre: log energy = detail + frame's own + (a polynomial
    of the place in the frame, the same for all frames). Both frames of a pair show the same detail, which
    drops out of their difference; the differences of all pairs are solved together.
    """
    cameras = cameras_of(checked)

    def one(field: OverlapField) -> list[_Seen]:
        return _compare(checked.source, field, (cameras[field.a].width, cameras[field.a].height))

    alike = [f for f in fields if abs(math.log(cameras[f.a].focal_px / cameras[f.b].focal_px)) < _SAME_FOCAL]
    seen = [s for found in run(one, alike) for s in found]
    if len(seen) < 3:
        return None
    return _solve(seen)


def _compare(source: FrameSource, field: OverlapField, size: tuple[int, int]) -> list[_Seen]:
    half = WINDOW_PX // 2
    size_b = source.size(field.b, 0)
    fits = np.ones(len(field.points_a), dtype=bool)
    for points, (w, h) in ((field.points_a, size), (field.points_b, size_b)):
        inside = (points >= half + 1) & (points <= np.array([w, h]) - half - 2)
        fits &= inside.all(axis=1)
    points_a, points_b = field.points_a[fits], field.points_b[fits]
    out = []
    for k in _apart(points_a, field.strength[fits]):
        fine_a, trust_a = window_sharpness(_window(source, field.a, points_a[k]))
        fine_b, trust_b = window_sharpness(_window(source, field.b, points_b[k]))
        if max(trust_a, trust_b) < _LEAST_TRUST:
            continue
        step = np.maximum(fine_b, _LOST) - np.maximum(fine_a, _LOST)
        place = _terms(points_b[k], size_b) - _terms(points_a[k], size)
        out.append(_Seen(field.a, field.b, step, place))
    return out


def _apart(points: NDArray[np.float64], strength: NDArray[np.float64]) -> list[int]:
    """The strongest details whose windows do not share more than a half."""
    chosen: list[int] = []
    for k in np.argsort(-strength, kind="stable").tolist():
        if all(np.abs(points[k] - points[c]).max() >= WINDOW_PX / 2 for c in chosen):
            chosen.append(k)
        if len(chosen) == _WINDOWS:
            break
    return chosen


def _window(source: FrameSource, frame: int, point: NDArray[np.float64]) -> NDArray[np.float32]:
    x, y = (round(float(v)) - WINDOW_PX // 2 for v in point)
    return grey(source.window(frame, 0, x, y, x + WINDOW_PX, y + WINDOW_PX))


def _terms(point: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float64]:
    """Place in the frame: x and y from the centre, and the squared radius, in half diagonals."""
    half = np.hypot(*size) / 2.0
    x, y = (point - (np.array(size) - 1.0) / 2.0) / half
    return np.array([x, y, x * x + y * y])


def _design(seen: Sequence[_Seen], at: Mapping[int, int]) -> csr_matrix:
    """What each difference is made of: frame b, less frame a, and their places in the frame."""
    m, n = len(seen), len(at)
    columns = np.array([[at[s.b], at[s.a], n, n + 1, n + 2] for s in seen])
    values = np.array([[1.0, -1.0, *s.place] for s in seen])
    rows = np.repeat(np.arange(m), columns.shape[1])
    return csr_matrix((values.ravel(), (rows, columns.ravel())), shape=(m, n + 3))


def _solve(seen: Sequence[_Seen]) -> Sharpness:
    frames = tuple(sorted({i for s in seen for i in (s.a, s.b)}))
    at = {frame: k for k, frame in enumerate(frames)}
    n, m = len(frames), len(seen)
    design = _design(seen, at)
    fall_off = np.full(3, _FALL_OFF**-2.0)
    energy, sigmas = np.empty((n, DIRECTIONS)), np.empty((n, DIRECTIONS))
    for k in range(DIRECTIONS):
        step = np.array([s.step[k] for s in seen])
        weight, sigma = np.ones(m), max(_LEAST_SIGMA, 1.4826 * float(np.median(np.abs(step))))
        usual = np.ones(n)
        for _ in range(_ROUNDS):
            prior = np.diag(np.concatenate([usual * _OWN**-2.0, fall_off]))
            normal = (design.T @ diags(weight) @ design).toarray() / sigma**2 + prior
            x = np.linalg.solve(normal, design.T @ (weight * step) / sigma**2)
            left = np.abs(step - design @ x)
            sigma = max(_LEAST_SIGMA, 1.4826 * float(np.median(left)))
            weight = 1.0 / (1.0 + (left / (_CUT * sigma)) ** 2)
            usual = 1.0 / (1.0 + (x[:n] / (_CUT * _OWN)) ** 2)
        energy[:, k] = x[:n] - np.median(x[:n])
        against = np.eye(n, n + 3) - np.concatenate([np.full(n, 1.0 / n), np.zeros(3)])
        sigmas[:, k] = np.sqrt(np.sum(against * np.linalg.solve(normal, against.T).T, axis=1))
    count = np.zeros(n, dtype=np.int64)
    for s in seen:
        count[at[s.a]] += 1
        count[at[s.b]] += 1
    return Sharpness(frames, energy, sigmas.max(axis=1), count)
