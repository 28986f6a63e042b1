"""The sea's horizon: one circle of constant depression, seen straight over many degrees of yaw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.horizon_edges import Edges, find_edges, measure_again
from belvedere.align.level_evidence import Evidence, moved, step_to, tangent
from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

# Depression of the horizon for an eye between the beach and some 600 m, 1.76' sqrt(height in m): Bowditch,
# The American Practical Navigator, table "Dip of the horizon" (from memory). Mean and one sigma.
_DIP, _DIP_SIGMA = np.radians(0.2), np.radians(0.25)
_FLOOR = np.radians(0.015)  # what refraction and swell leave at best, one sigma; common practice, no source
_OFF_AXIS = np.radians(5.0)  # how far the head may be out of level, beside three sigmas of the pan axis
# What a horizon must show, where a skyline, a roof or the rim of a cloud does not. A false horizon is worse
# than none. Common practice, no published source; checked on simulated and real sets.
_LEAST_TOTAL = np.radians(15.0)
_LEAST_LONGEST = np.radians(6.0)
_LEAST_RUN = np.radians(3.0)
_SHARE_OF_COLUMNS = 0.6
_STRAIGHT_PX = 0.45  # RMS over all runs, px of the reduced copy
_ROUGH_PX = 0.2  # RMS within frames, less their own shift and tilt, px of the reduced copy
_ROUGH = np.radians(0.006)  # the same, where pixels are finer than swell
_ROUGH_FULL_PX = 1.0  # the same, px of the full frame
_PAIRS = 1200
_POINTS_SCORED = 8000


@dataclass(frozen=True, slots=True)
class _Points:
    """All candidates: rays, a pixel's angle, a number for the column they stand in, and their frame."""

    rays: NDArray[np.float64]
    pixel: NDArray[np.float64]
    column: NDArray[np.int64]
    frame: NDArray[np.int64]
    looked: NDArray[np.float64]
    looked_pixel: float


@dataclass(frozen=True, slots=True)
class _Circle:
    """Directions d with down . d = sin(dip), the runs of yaw where it is seen, and what supports it.

    `which` and `rays` are the candidates on it, `bin_of` their bins of yaw, `rms_px` their distance from it,
    `rough` what a straight line in every frame leaves, rad; `total` and `longest` tell of the runs, rad.
    """

    down: NDArray[np.float64]
    dip: float
    which: NDArray[np.int64]
    rays: NDArray[np.float64]
    bin_of: NDArray[np.int64]
    rms_px: float
    rough: float
    total: float
    longest: float


def find_sea_horizon(
    source: FrameSource,
    used: Sequence[int],
    cameras: Sequence[Camera],
    rough: Evidence,
    run: Mapper = map,
) -> Evidence | None:
    """Find the sea horizon and the level it gives, or None.

    Parameters
    ----------
    used : sequence of int
        Frame indices in `source`, one a camera.
    rough : Evidence
        The pan axis: where to look, and how far off it may be.

    Returns
    -------
    Evidence or None
        Sideways (about the sight line to the sea's middle) it is sharp; along the sight line it is as sure as
        the depression of the horizon can be told from the tilt: well over half a turn, else by a prior.
    """
    found = list(run(lambda k: find_edges(source, used[k], cameras[k], rough.down), range(len(cameras))))
    looking = [k for k, e in enumerate(found) if e is not None and len(e.columns)]
    edges = [found[k] for k in looking]
    if not any(len(e.points) for e in edges):
        return None
    points = _gather(edges)
    limit = _OFF_AXIS + 3.0 * min(rough.sigma, np.radians(3.0))
    best: _Circle | None = None
    for down in _hypotheses(edges, points, rough.down, limit):
        circle = _grow(points, down)
        if circle is not None and (best is None or circle.total > best.total):
            best = circle
    if best is None or np.linalg.norm(step_to(rough.down, best.down)) > limit:
        return None
    if best.total < _LEAST_TOTAL or best.longest < _LEAST_LONGEST or best.rms_px > _STRAIGHT_PX:
        return None
    if best.rough > max(_ROUGH, _ROUGH_PX * points.looked_pixel):
        return None
    sharp = _sharpened(source, used, cameras, looking, edges, best, points, run)
    return None if sharp is None else _evidence(sharp, points)


def _sharpened(
    source: FrameSource,
    used: Sequence[int],
    cameras: Sequence[Camera],
    looking: Sequence[int],
    edges: Sequence[Edges],
    circle: _Circle,
    points: _Points,
    run: Mapper,
) -> _Circle | None:
    """The circle with its points measured again at full resolution; None if they are not straight there."""
    first = np.concatenate([[0], np.cumsum([len(e.points) for e in edges])])
    own = points.frame[circle.which]

    def again(k: int) -> NDArray[np.float64]:
        i = looking[k]
        return measure_again(source, used[i], cameras[i], edges[k].points[circle.which[own == k] - first[k]])

    frames = np.unique(own).tolist()
    measured = list(run(again, frames))
    rays = np.concatenate([cameras[looking[k]].rays(p) for k, p in zip(frames, measured, strict=True)])
    order = np.concatenate([np.flatnonzero(own == k) for k in frames])
    kept = np.isfinite(rays[:, 0])
    if np.count_nonzero(kept) < 0.7 * len(kept):
        return None
    rays, order = rays[kept], order[kept]
    rough = _roughness(rays, own[order], circle.down, tangent(circle.down))
    if rough > max(0.5 * _ROUGH, _ROUGH_FULL_PX / float(np.median([c.focal_px for c in cameras]))):
        return None
    return replace(circle, which=circle.which[order], rays=rays, bin_of=circle.bin_of[order], rough=rough)


def _gather(edges: Sequence[Edges]) -> _Points:
    first = np.concatenate([[0], np.cumsum([len(e.columns) for e in edges])])
    return _Points(
        np.concatenate([e.rays for e in edges]),
        np.concatenate([np.full(len(e.rays), e.pixel) for e in edges]),
        np.concatenate([e.column + first[k] for k, e in enumerate(edges)]),
        np.concatenate([np.full(len(e.rays), k) for k, e in enumerate(edges)]),
        np.concatenate([e.columns for e in edges]),
        float(np.median([e.pixel for e in edges])),
    )


def _hypotheses(
    edges: Sequence[Edges], points: _Points, rough: NDArray[np.float64], limit: float
) -> list[NDArray[np.float64]]:
    """The great circles through two candidates of a frame that most candidates lie near."""
    rng = np.random.default_rng(0)
    each = max(4, _PAIRS // len(edges))
    normals = []
    for e in edges:
        if len(e.points) < 12:
            continue
        a, b = rng.integers(0, len(e.points), (2, 3 * each))
        apart = np.abs(e.column[a] - e.column[b]) >= len(e.columns) // 3
        n = np.cross(e.rays[a[apart][:each]], e.rays[b[apart][:each]])
        normals.append(n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12))
    if not normals:
        return []
    n = np.concatenate(normals)
    n *= np.where(n @ rough >= 0.0, 1.0, -1.0)[:, None]
    n = n[n @ rough > np.cos(limit)][: 2 * _PAIRS]
    if not len(n):
        return []
    part = slice(None, None, -(-len(points.rays) // _POINTS_SCORED))
    rays, near = points.rays[part], 2.0 * points.pixel[part]
    score = np.concatenate([(np.abs(c @ rays.T) < near).sum(axis=1) for c in np.array_split(n, 8) if len(c)])
    chosen: list[NDArray[np.float64]] = []
    for k in np.argsort(-score, kind="stable"):
        if all(float(n[k] @ other) < np.cos(np.radians(0.1)) for other in chosen):
            chosen.append(n[k])
        if len(chosen) == 10:
            break
    return chosen


def _grow(points: _Points, down: NDArray[np.float64]) -> _Circle | None:
    """Fit a circle of constant depression to a hypothesis, nearer and nearer, and see how far it runs."""
    dip, circle = 0.0, None
    for tolerance in (4.0, 3.0, 2.0, 1.5, 1.0, 1.0):
        circle = _runs(points, down, dip, tolerance)
        if circle is None:
            return None
        down, dip, _ = _fit(circle.rays, np.full(len(circle.rays), points.looked_pixel * 0.2), down, dip)
    return None if circle is None else _runs(points, down, dip, 1.0)


def _runs(points: _Points, down: NDArray[np.float64], dip: float, tolerance: float) -> _Circle | None:
    """The long runs of yaw in which nearly every column has a candidate within `tolerance` px."""
    t = tangent(down)
    off = (points.rays @ down - np.sin(dip)) / points.pixel
    order = np.lexsort((np.abs(off), points.column))
    first = np.ones(len(order), dtype=bool)
    first[1:] = points.column[order][1:] != points.column[order][:-1]
    nearest = order[first]  # of every column with candidates, the one nearest to the circle
    hit = nearest[np.abs(off[nearest]) <= tolerance]
    if len(hit) < 20:
        return None
    width = _bin_width(points)
    count = int(2.0 * np.pi / width)
    looked = np.bincount(_bins(points.looked, t, count), minlength=count)
    bin_of = _bins(points.looked[points.column[hit]], t, count)
    hits = np.bincount(bin_of, minlength=count)
    held = (hits >= 2) & (hits >= _SHARE_OF_COLUMNS * looked)
    held |= np.roll(held, 1) & np.roll(held, -1) & (hits > 0)
    inside, lengths = _long_runs(held, width)
    hit, bin_of = hit[inside[bin_of]], bin_of[inside[bin_of]]
    if len(hit) < 20:
        return None
    rms = float(np.sqrt(np.mean(off[hit] ** 2)))
    rough = _roughness(points.rays[hit], points.frame[hit], down, t)
    total, longest = float(np.sum(lengths)), float(np.max(lengths))
    return _Circle(down, dip, hit, points.rays[hit], bin_of, rms, rough, total, longest)


def _roughness(
    rays: NDArray[np.float64], frame: NDArray[np.int64], down: NDArray[np.float64], t: NDArray[np.float64]
) -> float:
    """RMS of the height of points, less a straight line in every frame, rad.

    What is left of a sea is what the edge is measured to; hills keep their outline. Frames' own small errors
    of place do not count.
    """
    left = np.zeros(len(rays))
    free = 0
    for k in np.unique(frame):
        own = frame == k
        r = rays[own]
        middle = np.arctan2(*(t @ r.mean(axis=0))[::-1])
        yaw = np.arctan2(r @ t[1], r @ t[0]) - middle
        yaw = (yaw + np.pi) % (2.0 * np.pi) - np.pi
        line = np.column_stack([np.ones(len(r)), yaw])
        height = r @ down
        fitted = np.ones(len(r), dtype=bool)
        for _ in range(3):  # sails and rocks stand out
            off = height - line @ np.linalg.lstsq(line[fitted], height[fitted], rcond=None)[0]
            fitted = np.abs(off) <= 3.0 * np.sqrt(np.mean(off[fitted] ** 2)) + 1e-12
        left[own] = np.where(fitted, off, 0.0)
        free += max(int(np.count_nonzero(fitted)) - 2, 0)
    return float(np.sqrt(left @ left / max(free, 1)))


def _bin_width(points: _Points) -> float:
    """Four columns of a frame, rad, at least a quarter degree."""
    first, second = points.looked[:-1], points.looked[1:]
    apart = np.linalg.norm(first - second, axis=1)
    return max(4.0 * float(np.median(apart)), float(np.radians(0.25)))


def _bins(rays: NDArray[np.float64], t: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    yaw = np.arctan2(rays @ t[1], rays @ t[0]) / (2.0 * np.pi) % 1.0
    return np.asarray(np.minimum((yaw * count).astype(np.int64), count - 1))


def _long_runs(held: NDArray[np.bool_], width: float) -> tuple[NDArray[np.bool_], list[float]]:
    """Bins in runs of at least `_LEAST_RUN` round the circle, and the runs' lengths in rad."""
    count = len(held)
    if held.all():
        return held, [2.0 * np.pi]
    start = int(np.argmin(held))
    turned = np.roll(held, -start)
    inside = np.zeros(count, dtype=bool)
    lengths = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], turned.astype(np.int8), [0]])))
    for a, b in edges.reshape(-1, 2):
        if (b - a) * width >= _LEAST_RUN:
            inside[a:b] = True
            lengths.append(float((b - a) * width))
    return np.roll(inside, start), lengths


def _fit(
    rays: NDArray[np.float64], sigma: NDArray[np.float64], down: NDArray[np.float64], dip: float
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Down, depression and their covariance (3, 3) from points of the horizon; Gauss-Newton, Huber."""
    inverse = np.eye(3)
    for _ in range(4):
        t = tangent(down)
        residual = (rays @ down - np.sin(dip)) / sigma
        jacobian = np.column_stack([rays @ t.T, np.full(len(rays), -np.cos(dip))]) / sigma[:, None]
        weight = np.minimum(1.0, 3.0 / np.maximum(np.abs(residual), 1e-9))
        normal = (jacobian * weight[:, None]).T @ jacobian
        normal[2, 2] += _DIP_SIGMA**-2
        gradient = (jacobian * weight[:, None]).T @ residual
        gradient[2] += (dip - _DIP) * _DIP_SIGMA**-2
        inverse = np.linalg.inv(normal + 1e-9 * np.eye(3))
        step = -inverse @ gradient
        down, dip = moved(down, step[:2]), dip + float(step[2])
    return down, dip, np.asarray(inverse)


def _evidence(circle: _Circle, points: _Points) -> Evidence:
    """The level with its sigma: a bin of yaw counts as one observation, however many columns it has."""
    order = np.argsort(circle.bin_of, kind="stable")
    bins, start = np.unique(circle.bin_of[order], return_index=True)
    count = np.diff(np.append(start, len(order)))
    mean = np.add.reduceat(circle.rays[order], start) / count[:, None]
    off = np.add.reduceat(circle.rays[order] @ circle.down - np.sin(circle.dip), start) / count
    scatter = max(float(np.sqrt(np.mean(off**2))), 0.1 * points.looked_pixel)
    down, _, known = _fit(mean, np.full(len(bins), scatter), circle.down, circle.dip)
    # neighbouring bins share a frame's error: count every fourth
    t = tangent(down)
    covariance = t.T @ (4.0 * known[:2, :2] + _FLOOR**2 * np.eye(2)) @ t
    middle = circle.rays.mean(axis=0)
    middle -= (middle @ down) * down
    sideways = np.cross(down, middle)
    sideways /= max(float(np.linalg.norm(sideways)), 1e-12)
    roll = float(np.degrees(np.sqrt(sideways @ covariance @ sideways)))
    words = f"from the sea horizon, seen over {np.degrees(circle.total):.0f}°; sideways known to {roll:.2f}°"
    return Evidence("sea-horizon", down, covariance, words)
