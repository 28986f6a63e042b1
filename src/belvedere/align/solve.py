"""From links to a solved block: adjust, look for more ties, measure again at full resolution, adjust."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Adjusted, Block, Lens, LensPrior, Ties, adjust
from belvedere.align.links import Link
from belvedere.align.matching import match
from belvedere.align.remeasure import Measured, remeasure, spread
from belvedere.align.start import Mapper, Matches, Pair, Sights, verify
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import quaternion_from_matrix, vector_from_matrix

_TIES_FROM_FEATURES = 250  # most of a pair in the adjustment before measuring again
_AGREE = 3.0  # px of the reduced copy within which a match joins the block
_LEAST_TIES = 6  # of a pair


@dataclass(frozen=True, slots=True)
class Solved:
    """A solved block of some frames.

    Parameters
    ----------
    frames : tuple of int
        Frame indices, in the order of `adjusted.block.rotations`.
    ties : Ties
        Final tie points; pairs index into `frames`.
    found : dict
        For every pair measured again: (tried, found).
    """

    frames: tuple[int, ...]
    adjusted: Adjusted
    ties: Ties
    found: dict[Pair, tuple[int, int]]

    def cameras(self, sights: Sights) -> list[Camera]:
        """Cameras of `frames`."""
        return cameras_of(self.adjusted.block, self.frames, sights)


def cameras_of(block: Block, frames: Sequence[int], sights: Sights) -> list[Camera]:
    """Cameras, as displayed, of a block's frames."""
    out = []
    for k, i in enumerate(frames):
        lens = block.lenses[block.lens_of[k]]
        centre = sights.centres[i] + block.axes[k] @ np.array(lens.offset)
        out.append(
            Camera(
                width=round(2 * sights.centres[i, 0] + 1),
                height=round(2 * sights.centres[i, 1] + 1),
                focal_px=lens.focal_px,
                principal_point=(float(centre[0]), float(centre[1])),
                distortion=lens.distortion,
                rotation_wxyz=quaternion_from_matrix(block.rotations[k]),
            )
        )
    return out


def solve_block(
    source: FrameSource,
    sights: Sights,
    frames: Sequence[int],
    links: Sequence[Link],
    rotations: NDArray[np.float64],
    lenses: Sequence[Lens],
    priors: Sequence[LensPrior],
    matches: Matches,
    run: Mapper,
    *,
    ties_per_pair: int,
) -> Solved:
    """Solve one component.

    Parameters
    ----------
    frames : sequence of int
        The component.
    links : sequence of Link
        Consistent links between its frames.
    rotations : ndarray of shape (all frames, 3, 3)
        Starting rotations, world to camera.
    matches : dict
        Feature matches by pair; grows by pairs that the solved cameras show to overlap.
    """
    at = {i: k for k, i in enumerate(frames)}
    block = Block(
        rotations[list(frames)],
        tuple(lenses),
        sights.group_of[list(frames)],
        sights.axes[list(frames)],
    )
    chosen: Matches = {(v.a, v.b): v.matches[v.inliers] for v in links if v.a in at and v.b in at}
    adjusted = adjust(block, _feature_ties(sights, chosen, at), priors)
    closing = _closing_links(sights, frames, adjusted.block, chosen, matches, run)
    if closing:
        chosen = chosen | closing
        adjusted = adjust(adjusted.block, _feature_ties(sights, chosen, at), priors)
    for _ in range(2):
        more = _agreeing(sights, frames, adjusted.block, matches, run)
        if not more:
            break
        chosen = more
        adjusted = adjust(adjusted.block, _feature_ties(sights, chosen, at), priors)
    ties, found = _measure_again(source, sights, frames, adjusted.block, chosen, run, ties_per_pair)
    if len(ties.points) >= 3 * len(frames):
        adjusted = adjust(adjusted.block, ties, priors, want_covariance=True)
        ties = _without_outliers(ties, adjusted)
        adjusted = adjust(adjusted.block, ties, priors, want_covariance=True)
    else:
        ties = _feature_ties(sights, chosen, at)
        adjusted = adjust(adjusted.block, ties, priors, want_covariance=True)
    return Solved(tuple(frames), adjusted, ties, found)


def _feature_ties(sights: Sights, chosen: Matches, at: dict[int, int]) -> Ties:
    points, pairs, sigma = [], [], []
    for (a, b), m in sorted(chosen.items()):
        m = m[spread(sights.features[a].points[m[:, 0]], _TIES_FROM_FEATURES)]
        points.append(np.hstack([sights.offsets(a, m[:, 0]), sights.offsets(b, m[:, 1])]))
        pairs.append((at[a], at[b]))
        sigma.append(np.full(len(m), 0.5 * max(sights.features[a].pixel, sights.features[b].pixel)))
    return make_ties(pairs, points, sigma)


def make_ties(
    pairs: Sequence[Pair], points: Sequence[NDArray[np.float64]], sigma: Sequence[NDArray[np.float64]]
) -> Ties:
    """Tie points from per-pair arrays, pairs in the order given."""
    start = np.concatenate([[0], np.cumsum([len(p) for p in points])]).astype(np.int64)
    return Ties(
        np.array(pairs, dtype=np.int64).reshape(-1, 2),
        start,
        np.concatenate(points) if points else np.empty((0, 4)),
        np.concatenate(sigma) if sigma else np.empty(0),
    )


def _closing_links(
    sights: Sights, frames: Sequence[int], block: Block, chosen: Matches, matches: Matches, run: Mapper
) -> Matches:
    """Matches of pairs that the first solution brings together, verified on their own.

    A long chain drifts by more than a match may be off; so the two ends of a turn are compared with each
    other, not with the chain, and accepted if their rotation is near what the chain says.
    """
    cameras = cameras_of(block, frames, sights)
    rotation_of = dict(zip(frames, block.rotations, strict=True))
    jobs = [p for p in overlapping_pairs(frames, cameras, least=0.0, margin=0.06) if p not in chosen]
    _match_missing(sights, jobs, matches, run)
    out: Matches = {}
    for (a, b), link in zip(
        jobs, run(lambda p: verify(sights, block.lenses, p, matches[p]), jobs), strict=True
    ):
        if link is None:
            continue
        off = vector_from_matrix(link.rotation @ rotation_of[a] @ rotation_of[b].T)
        field = 2.0 * float(np.linalg.norm(sights.centres[a])) / block.lenses[sights.group_of[a]].focal_px
        if np.linalg.norm(off) < 0.1 * field:
            out[a, b] = link.matches[link.inliers]
    return out


def _match_missing(sights: Sights, pairs: Sequence[Pair], matches: Matches, run: Mapper) -> None:
    """Match the pairs that have not been matched yet, and note it in `matches`."""
    missing = [p for p in pairs if p not in matches]
    found = run(lambda p: match(sights.features[p[0]], sights.features[p[1]]), missing)
    matches.update(zip(missing, found, strict=True))


def _agreeing(sights: Sights, frames: Sequence[int], block: Block, matches: Matches, run: Mapper) -> Matches:
    """All matches, of all pairs that overlap by the solved cameras, that agree with those cameras."""
    cameras = cameras_of(block, frames, sights)
    pairs = overlapping_pairs(frames, cameras)
    _match_missing(sights, pairs, matches, run)
    camera_of = dict(zip(frames, cameras, strict=True))
    out: Matches = {}
    for a, b in pairs:
        m = matches[a, b]
        there, seen = camera_of[b].project(camera_of[a].rays(sights.features[a].points[m[:, 0]]))
        error = np.linalg.norm(there - sights.features[b].points[m[:, 1]], axis=1)
        near = _AGREE * max(sights.features[a].pixel, sights.features[b].pixel)
        with np.errstate(invalid="ignore"):
            good = seen & (error < near)
        if np.count_nonzero(good) >= _LEAST_TIES and np.count_nonzero(good) > 0.15 * np.count_nonzero(seen):
            out[a, b] = m[good]
    return out


def overlapping_pairs(
    frames: Sequence[int], cameras: Sequence[Camera], least: float = 0.02, margin: float = 0.0
) -> list[Pair]:
    """Pairs of frames that share more than a share `least` of either's area, by a grid of 12 x 12 rays.

    With a `margin`, frames are taken as that much wider on every side (as a share of their size).
    """
    wide = [
        replace(
            c,
            width=round(c.width * (1 + 2 * margin)),
            height=round(c.height * (1 + 2 * margin)),
            principal_point=(
                c.principal_point[0] + c.width * margin,
                c.principal_point[1] + c.height * margin,
            ),
        )
        for c in cameras
    ]
    axes = np.stack([c.rotation[2] for c in cameras])
    reach = np.array([np.arctan(c.half_diagonal_px / c.focal_px) * 1.1 + 0.05 for c in wide])
    grids = [c.rays(_grid(c)) for c in wide]
    out = []
    for i in range(len(frames)):
        angle = np.arccos(np.clip(axes[i + 1 :] @ axes[i], -1.0, 1.0))
        for j in (i + 1 + np.flatnonzero(angle < reach[i] + reach[i + 1 :])).tolist():
            if max(overlap_fraction(grids[i], wide[j]), overlap_fraction(grids[j], wide[i])) > least:
                out.append((frames[i], frames[j]))
    return out


def overlap_fraction(rays: NDArray[np.float64], camera: Camera) -> float:
    """Share of rays that a camera sees."""
    return float(np.mean(camera.project(rays)[1]))


def _grid(camera: Camera, count: int = 12) -> NDArray[np.float64]:
    x = (np.arange(count) + 0.5) / count * camera.width - 0.5
    y = (np.arange(count) + 0.5) / count * camera.height - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def frame_grid(camera: Camera, count: int = 12) -> NDArray[np.float64]:
    """(count^2, 2) positions spread over the frame, px."""
    return _grid(camera, count)


def _measure_again(
    source: FrameSource,
    sights: Sights,
    frames: Sequence[int],
    block: Block,
    chosen: Matches,
    run: Mapper,
    most: int,
) -> tuple[Ties, dict[Pair, tuple[int, int]]]:
    camera_of = dict(zip(frames, cameras_of(block, frames, sights), strict=True))
    at = {i: k for k, i in enumerate(frames)}

    def measure(pair: Pair) -> Measured:
        a, b = pair
        m = chosen[pair]
        points = sights.features[a].points[m[:, 0]]
        pixel = max(sights.features[a].pixel, sights.features[b].pixel)
        search = int(np.clip(np.ceil(1.2 * pixel) + 1, 3, 12))
        return remeasure(
            source, pair, (camera_of[a], camera_of[b]), points[spread(points, most)], search=search
        )

    pairs, points, sigma, found = [], [], [], {}
    jobs = sorted(chosen)
    for pair, measured in zip(jobs, run(measure, jobs), strict=True):
        found[pair] = (measured.tried, len(measured.a))
        if len(measured.a) < 4:
            continue
        pairs.append((at[pair[0]], at[pair[1]]))
        points.append(np.hstack([measured.a - sights.centres[pair[0]], measured.b - sights.centres[pair[1]]]))
        sigma.append(measured.sigma)
    return make_ties(pairs, points, sigma), found


def _without_outliers(ties: Ties, adjusted: Adjusted, limit: float = 4.0) -> Ties:
    """Ties whose residual is within `limit` robust sigmas; pairs keep at least their better half."""
    length = np.hypot(adjusted.residuals[:, 0], adjusted.residuals[:, 1]) / ties.sigma
    typical = float(np.median(length)) / 1.1774
    keep = np.zeros(len(length), dtype=bool)
    for k in range(len(ties.pairs)):
        part = slice(ties.start[k], ties.start[k + 1])
        own = max(limit * typical, float(np.median(length[part])))
        keep[part] = length[part] <= own
    counts = np.array(
        [np.count_nonzero(keep[ties.start[k] : ties.start[k + 1]]) for k in range(len(ties.pairs))]
    )
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return replace(ties, start=start, points=ties.points[keep], sigma=ties.sigma[keep])
