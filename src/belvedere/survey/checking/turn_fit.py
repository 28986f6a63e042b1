"""What overlaps tell beyond pure rotation: a frame's own focal length, an entrance pupil off the axis.

Both are fitted together with small turns of every frame and a common change of lens, which would otherwise
hide a part of them: a rotation takes up nearly all of a ground plane's parallax.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csc_matrix, diags
from scipy.sparse.linalg import splu

from belvedere.geometry.camera import Camera
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.overlap_field import OverlapField, cameras_of

# Priors, one sigma; no published source.
_TURN_RAD = 0.02
_OWN_FOCAL = 0.03  # log of a frame's own focal length
_LENS = (0.004, 0.004, 0.03, 0.03, 0.03)  # principal point over the focal length, and k1, k2, k3
_LENS_TERMS = len(_LENS)
_PUPIL = 1.0  # entrance pupil off the axis by the height of the camera
_WIDE = (32.0, 16.0, 16.0, 8.0, 4.0, 4.0, 2.0, 1.0, 1.0, 1.0)  # of the cut: it closes round by round
_LEAST_DETAILS = 4  # of an overlap that has a say
_MOST_DETAILS = 12_000  # of the whole set: bounds time and memory
_HELD = 2  # rounds in which the pupil stays where it started
_STARTS = (0.0, 0.01, -0.01, 0.03, -0.03, 0.07, -0.07)
_CUT = 3.0  # residuals of so many sigmas weigh a half (Cauchy)
# Details this high may be clouds, which move: they say less; no published source.
_SKY_RAD = np.radians(6.0)
_SKY_FACTOR = 8.0
_FAR_DOWN = 0.2  # sine of the angle below the horizon within which ground may be near or far: hills, slopes
_UNSURE = 8.0  # on the sigma of such details where the pupil is measured
_WORTH = 0.015  # of a detail's log cost, mean over all, that the pupil must take off to be looked at closer
_DOWN = np.array([0.0, 1.0, 0.0])
_BATCH = 64


@dataclass(frozen=True, slots=True)
class TurnFit:
    """Outcome of `fit_turn`.

    Parameters
    ----------
    frames : tuple of int
        Frames that overlaps tie together, by index in the set.
    focal : ndarray of shape (n,), float64
        log of each frame's own focal length over the common one.
    focal_sigma : ndarray of shape (n,), float64
        One sigma of it.
    pupil : float
        Entrance pupil before the pan axis over the camera's height above the ground, dimensionless.
    pupil_sigma : float
        One sigma of it.
    rms_px : float
        What is left of the details' disagreement, robust, px.
    gain : float
        What the pupil takes off the robust cost (sum of log(1 + (r / 3 sigma)^2)), <= 0.
    left_px : tuple of ndarray of shape (m,)
        What is left of each detail's disagreement, px, for every field given (NaN where it had no say).
    """

    frames: tuple[int, ...]
    focal: NDArray[np.float64]
    focal_sigma: NDArray[np.float64]
    pupil: float
    pupil_sigma: float
    rms_px: float
    gain: float
    left_px: tuple[NDArray[np.float64], ...]


def fit_turn(
    cameras: Mapping[int, Camera], lenses: Mapping[int, int], fields: Sequence[OverlapField]
) -> TurnFit | None:
    """Fit turns, focal lengths, what may be wrong with the lenses, and the entrance pupil to all details.

    A frame whose pupil stands e before the axis along its sight line a sees a point of the ground plane, h
    below and in unit direction d, moved by -(e / h) max(d . down, 0) (a - (a . d) d): the ground is at the
    distance h / (d . down), and what is above the horizon is taken as far.

    Parameters
    ----------
    cameras : mapping of int to Camera
        The used frames' cameras, world y down.
    lenses : mapping of int to int
        Which frames share principal point and distortion, as displayed: any numbers.
    fields : sequence of OverlapField
        Details of the overlaps.

    Returns
    -------
    TurnFit or None
        None where there are too few details.
    """
    given = fields
    most = max(_LEAST_DETAILS, _MOST_DETAILS // max(len(given), 1))
    kept = [_strongest(f, most) for f in given]
    fields = [f.part(k) for f, k in zip(given, kept, strict=True) if len(k) >= _LEAST_DETAILS]
    frames = tuple(sorted({i for f in fields for i in (f.a, f.b)}))
    if not fields or sum(len(f.points_a) for f in fields) < 12 + 4 * len(frames):
        return None
    at = {frame: k for k, frame in enumerate(frames)}
    n = len(frames)
    pixel = float(np.median([cameras[i].focal_px for i in frames]))
    kinds = sorted({lenses[i] for i in frames})
    lens_of = {i: kinds.index(lenses[i]) for i in frames}
    design, gap, sigma, high, unsure = _equations(cameras, fields, at, lens_of, pixel)
    starts = [_fit(design, gap, sigma, n, k) for k in _STARTS]
    best = min(starts, key=lambda fit: fit.cost)
    fixed = next(fit for fit in starts if fit.start == 0.0)
    gain = best.cost - fixed.cost
    if gain < -_WORTH * len(gap):
        best = _fit(
            design,
            gap,
            np.where(unsure, _UNSURE, np.where(high, 1.0 / _SKY_FACTOR, 1.0)) * sigma,
            n,
            float(best.x[-1]),
        )
    else:
        best = replace(fixed, normal=best.normal)
    # where the model does not hold (a camera in the hand, near things), sigmas grow with what is left
    spread = _spread(best.normal, n) * max(1.0, best.rms)
    focal = best.x[3 * n : 4 * n]
    return TurnFit(
        frames,
        focal - np.median(focal),
        spread[:n],
        float(best.x[-1]),
        float(spread[n]),
        best.rms * float(np.median(sigma)),
        gain,
        _by_field(given, kept, np.linalg.norm(gap - (design @ best.x).reshape(-1, 2), axis=1)),
    )


def _strongest(field: OverlapField, most: int) -> NDArray[np.int64]:
    """Which details of a field have a say, in order."""
    return np.sort(np.argsort(-field.strength, kind="stable")[:most])


def _by_field(
    given: Sequence[OverlapField], kept: Sequence[NDArray[np.int64]], left: NDArray[np.float64]
) -> tuple[NDArray[np.float64], ...]:
    out, first = [], 0
    for f, k in zip(given, kept, strict=True):
        own = np.full(len(f.points_a), np.nan)
        if len(k) >= _LEAST_DETAILS:
            own[k] = left[first : first + len(k)]
            first += len(k)
        out.append(own)
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Fit:
    start: float
    x: NDArray[np.float64]
    normal: csc_matrix
    cost: float
    rms: float


def _fit(
    design: csc_matrix, gap: NDArray[np.float64], sigma: NDArray[np.float64], n: int, start: float
) -> _Fit:
    """Robust solution (Cauchy, reweighted least squares); the pupil is held at first, from 0 for good."""
    size = design.shape[1]
    centre = np.zeros(size)
    centre[-1] = start
    lenses = (size - 4 * n - 1) // _LENS_TERMS
    prior = np.concatenate(
        [np.full(3 * n, _TURN_RAD), np.full(n, _OWN_FOCAL), np.tile(_LENS, lenses), [_PUPIL]]
    )
    x, weight, cost = centre, np.ones(len(gap)), 0.0
    for turn, wide in enumerate(_WIDE):
        held = start == 0.0 or turn < _HELD
        own = prior.copy()
        own[-1] = 1e-6 if held else _PUPIL
        rows = np.repeat(weight / sigma**2, 2)
        normal = csc_matrix(design.T @ diags(rows) @ design + diags(1.0 / own**2))
        x = splu(normal).solve(np.asarray(design.T @ (rows * gap.ravel())) + centre / own**2)
        left = (gap.ravel() - design @ x).reshape(-1, 2)
        square = (left[:, 0] ** 2 + left[:, 1] ** 2) / sigma**2
        weight = 1.0 / (1.0 + square / (_CUT * wide) ** 2)
        cost = float(np.sum(np.log1p(square / _CUT**2)))
        if not held:
            centre = np.zeros(size)
    return _Fit(start, x, normal, cost, float(np.sqrt(np.median(square))) / 1.1774)


def _equations(
    cameras: Mapping[int, Camera],
    fields: Sequence[OverlapField],
    at: Mapping[int, int],
    lens_of: Mapping[int, int],
    pixel: float,
) -> tuple[csc_matrix, NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Design (2 m, unknowns), gaps (m, 2) and sigmas (m,), px; which are high up, which near or far."""
    rows, columns, values, gaps, sigmas, highs, unsure = [], [], [], [], [], [], []
    first, n, lenses = 0, len(at), max(lens_of.values()) + 1
    unknowns = 4 * n + _LENS_TERMS * lenses + 1
    for f in fields:
        m = len(f.points_a)
        sides = [_side(cameras[f.a], f.points_a), _side(cameras[f.b], f.points_b)]
        d = sides[0][0] + sides[1][0]
        d /= np.linalg.norm(d, axis=1, keepdims=True)
        east = np.cross(_DOWN, d)
        east /= np.maximum(np.linalg.norm(east, axis=1, keepdims=True), 1e-9)
        plane = np.stack([east, np.cross(d, east)], axis=1) * pixel  # (m, 2, 3)
        gaps.append(np.einsum("mij,mj->mi", plane, sides[1][0] - sides[0][0]))
        high = d[:, 1] < -np.sin(_SKY_RAD)
        sigmas.append(np.where(high, _SKY_FACTOR, 1.0) * f.sigma_px)
        highs.append(high)
        unsure.append((d[:, 1] > 0.0) & (d[:, 1] < _FAR_DOWN))
        for sign, frame, (rays, focal, lens, pupil) in (
            (1.0, f.a, sides[0]),
            (-1.0, f.b, sides[1]),
        ):
            turns = [np.cross(axis, rays) for axis in np.eye(3)]
            k, own = at[frame], 4 * n + _LENS_TERMS * lens_of[frame]
            for column, change in (
                *((3 * k + j, turns[j]) for j in range(3)),
                (3 * n + k, focal),
                *((own + j, lens[j]) for j in range(_LENS_TERMS)),
                (unknowns - 1, pupil),
            ):
                moved = sign * np.einsum("mij,mj->mi", plane, change)
                rows.append(2 * first + np.arange(2 * m))
                columns.append(np.full(2 * m, column))
                values.append(moved.ravel())
        first += m
    design = coo_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(2 * first, unknowns)
    )
    return (
        design.tocsc(),
        np.concatenate(gaps),
        np.concatenate(sigmas),
        np.concatenate(highs),
        np.concatenate(unsure),
    )


def _side(
    camera: Camera, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[NDArray[np.float64]], NDArray[np.float64]]:
    """World rays, and how they move by log focal length, by the lens and by the pupil (m, 3 each)."""
    own = camera.camera_rays(points)
    out = own * np.array([1.0, 1.0, 0.0])
    inward = _across(-out, own)
    square = (np.hypot(own[:, 0], own[:, 1]) / own[:, 2]) ** 2
    rays = own @ camera.rotation
    sideways = [_across(own[:, 2:] * np.eye(3)[j], own) for j in (0, 1)]
    radial = [square[:, None] ** power * inward for power in (1, 2, 3)]
    lens = [change @ camera.rotation for change in (*sideways, *radial)]
    return (
        rays,
        inward @ camera.rotation,
        lens,
        pupil_shift(camera, rays),
    )


def _across(change: NDArray[np.float64], rays: NDArray[np.float64]) -> NDArray[np.float64]:
    """The part of changes (m, 3) across unit rays (m, 3)."""
    return np.asarray(change - np.sum(change * rays, axis=1, keepdims=True) * rays)


def pupil_shift(camera: Camera, rays: NDArray[np.float64]) -> NDArray[np.float64]:
    """What must be added to unit rays (m, 3) seen, for each unit of e / h, to see from the axis."""
    axis = camera.rotation[2]
    below = np.maximum(rays @ _DOWN, 0.0)
    return np.asarray(below[:, None] * (axis - (rays @ axis)[:, None] * rays))


def _spread(normal: csc_matrix, n: int) -> NDArray[np.float64]:
    """One sigma of every frame's focal length against the frames' mean, then of the pupil: (n + 1,)."""
    solver = splu(normal)
    out = np.empty(n + 1)
    for start in range(0, n + 1, _BATCH):
        which = np.arange(start, min(start + _BATCH, n + 1))
        aim = np.zeros((normal.shape[0], len(which)))
        for c, k in enumerate(which):
            if k == n:
                aim[-1, c] = 1.0
            else:
                aim[3 * n : 4 * n, c] -= 1.0 / n
                aim[3 * n + k, c] += 1.0
        out[which] = np.sqrt(np.maximum(np.sum(aim * solver.solve(aim), axis=0), 0.0))
    return out


def fit_checked(checked: Checked, fields: Sequence[OverlapField]) -> TurnFit | None:
    """`fit_turn` of a set: frames of one lens and orientation share principal point and distortion."""
    kinds = {
        i: 10 * place.lens + frame.metadata.orientation
        for i, (place, frame) in enumerate(zip(checked.alignment.frames, checked.frames, strict=True))
    }
    return fit_turn(cameras_of(checked), kinds, fields)
