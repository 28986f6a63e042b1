"""From links to a solved block: adjust, look for more ties, measure again at full resolution, adjust."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Adjusted, Block, Lens, LensPrior, Ties, adjust
from belvedere.align.hand_ties import add_ties_by_hand, measure_by_hand, rows_by_hand
from belvedere.align.links import Link
from belvedere.align.matching import match
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.remeasure import Measured, remeasure, spread
from belvedere.align.soft_ties import measure_softly
from belvedere.align.start import Mapper, Matches, Pair, Sights, verify
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import quaternion_from_matrix, vector_from_matrix

_TIES_FROM_FEATURES = 250  # most of a pair in the adjustment before measuring again
_ALL_TIES = 400_000  # of a block; beyond, every pair has fewer
_LEAST_OF_PAIR = 40  # that a pair may have all the same
_AGREE = 3.0  # px of the reduced copy within which a match joins the block
_LEAST_TIES = 6  # of a pair
_SHARP_ENOUGH = 40  # tie points of a pair from sharp details, below which soft texture is asked too


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
        For every pair whose sharp details were measured again: (tried, found); not those that soft texture
        holds.
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


@dataclass(frozen=True, slots=True)
class RoughBlock:
    """A block solved from feature matches: good to a fraction of a pixel of the reduced copies.

    Parameters
    ----------
    frames : tuple of int
        Frame indices, in the order of the block's rotations.
    block : Block
        Rotations and lenses.
    chosen : dict
        For every overlapping pair, the matches that agree with the block.
    """

    frames: tuple[int, ...]
    block: Block
    chosen: Matches

    def cameras(self, sights: Sights) -> list[Camera]:
        """Cameras of `frames`."""
        return cameras_of(self.block, self.frames, sights)


def solve_by_features(
    sights: Sights,
    frames: Sequence[int],
    links: Sequence[Link],
    rotations: NDArray[np.float64],
    lenses: Sequence[Lens],
    priors: Sequence[LensPrior],
    matches: Matches,
    run: Mapper,
    *,
    solve_lens: bool = True,
) -> RoughBlock:
    """Solve one component from its links, then from all matches that agree with it.

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
    solve_lens : bool
        Whether interior orientation is solved too.
    """
    at = {i: k for k, i in enumerate(frames)}
    block = Block(
        rotations[list(frames)],
        tuple(lenses),
        sights.group_of[list(frames)],
        sights.axes[list(frames)],
    )
    chosen: Matches = {(v.a, v.b): v.matches[v.inliers] for v in links if v.a in at and v.b in at}
    block = adjust(block, feature_ties(sights, chosen, at), priors, solve_lens=solve_lens).block
    closing = _closing_links(sights, frames, block, chosen, matches, run)
    if closing:
        chosen = chosen | closing
        block = adjust(block, feature_ties(sights, chosen, at), priors, solve_lens=solve_lens).block
    for _ in range(2):
        # a pair keeps what it came with where its own cameras find nothing: no frame may come loose
        chosen = chosen | _agreeing(sights, frames, block, matches, run)
        block = adjust(block, feature_ties(sights, chosen, at), priors, solve_lens=solve_lens).block
    return RoughBlock(tuple(frames), block, chosen)


def solve_finely(
    source: FrameSource,
    sights: Sights,
    rough: RoughBlock,
    priors: Sequence[LensPrior],
    run: Mapper,
    *,
    ties_per_pair: int,
    held: Sequence[int] = (0,),
) -> Solved:
    """Measure the tie points of a rough block again at full resolution, and solve it with them.

    `held` are places in `rough.frames`, see `adjust`.
    """
    ties, found = _measure_again(source, sights, rough, run, ties_per_pair)
    adjusted = adjust(rough.block, ties, priors, held=held)
    ties = _without_outliers(ties, adjusted, rows_by_hand(sights, rough.frames, ties))
    adjusted = adjust(adjusted.block, ties, priors, held=held, want_covariance=True)
    return Solved(rough.frames, adjusted, ties, found)


def feature_ties(sights: Sights, chosen: Matches, at: dict[int, int]) -> Ties:
    """Tie points from the matches chosen, `at` giving every frame's place in the block."""
    jobs = sorted(chosen.items())
    most = _most_of_pair(len(jobs), _TIES_FROM_FEATURES)
    each = [_feature_points(sights, pair, m, most) for pair, m in jobs]
    pairs = [(at[a], at[b]) for (a, b), _ in jobs]
    points, sigma = [points for points, _ in each], [sigma for _, sigma in each]
    add_ties_by_hand(sights, at, pairs, points, sigma)
    return make_ties(pairs, points, sigma)


def _most_of_pair(pairs: int, most: int) -> int:
    """Tie points of a pair: `most`, fewer where there are very many pairs."""
    return min(most, max(_LEAST_OF_PAIR, _ALL_TIES // max(pairs, 1)))


def _feature_points(
    sights: Sights, pair: Pair, matches: NDArray[np.int64], most: int = _TIES_FROM_FEATURES
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tie points (n, 4) of a pair from its feature matches, and their sigmas: half a px of the copy."""
    a, b = pair
    m = matches[spread(sights.features[a].points[matches[:, 0]], most)]
    points = np.hstack([sights.offsets(a, m[:, 0]), sights.offsets(b, m[:, 1])])
    return points, np.full(len(m), 0.5 * max(sights.features[a].pixel, sights.features[b].pixel))


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


def _measure_again(
    source: FrameSource, sights: Sights, rough: RoughBlock, run: Mapper, most: int
) -> tuple[Ties, dict[Pair, tuple[int, int]]]:
    camera_of = dict(zip(rough.frames, rough.cameras(sights), strict=True))
    at = {i: k for k, i in enumerate(rough.frames)}
    most = _most_of_pair(len(rough.chosen), most)

    def measure(pair: Pair) -> tuple[Measured, Measured | None]:
        a, b = pair
        points = sights.features[a].points[rough.chosen[pair][:, 0]]
        pixel = max(sights.features[a].pixel, sights.features[b].pixel)
        search = int(np.clip(np.ceil(1.2 * pixel) + 1, 3, 12))
        cameras = camera_of[a], camera_of[b]
        sharp = remeasure(source, pair, cameras, points[spread(points, most)], search=search)
        soft = measure_softly(source, pair, cameras) if len(sharp.a) < _SHARP_ENOUGH else None
        return sharp, soft

    pairs, points, sigma, found = [], [], [], {}
    jobs = sorted(rough.chosen)
    for pair, (sharp, soft) in zip(jobs, run(measure, jobs), strict=True):
        a, b = pair
        if soft is None or len(soft.a) < _SHARP_ENOUGH:
            found[pair] = (sharp.tried, len(sharp.a))
        pairs.append((at[a], at[b]))
        parts = [sharp] if soft is None else [sharp, soft]
        if sum(len(part.a) for part in parts) < _LEAST_TIES:
            # nothing better than the features: kept, so that no frame comes loose
            coarse, wide = _feature_points(sights, pair, rough.chosen[pair])
            points.append(coarse)
            sigma.append(wide)
            continue
        offsets = [np.hstack([p.a - sights.centres[a], p.b - sights.centres[b]]) for p in parts]
        points.append(np.concatenate(offsets))
        sigma.append(np.concatenate([part.sigma for part in parts]))
    add_ties_by_hand(sights, at, pairs, points, sigma, measure_by_hand(source, sights, camera_of))
    return make_ties(pairs, points, sigma), found


def _without_outliers(ties: Ties, adjusted: Adjusted, held: NDArray[np.bool_], limit: float = 4.0) -> Ties:
    """Ties whose residual is within `limit` robust sigmas; pairs keep at least their better half.

    Those that are `held` stay, whatever they miss by.
    """
    length = np.hypot(adjusted.residuals[:, 0], adjusted.residuals[:, 1]) / ties.sigma
    typical = float(np.median(length)) / 1.1774
    keep = np.zeros(len(length), dtype=bool)
    for k in range(len(ties.pairs)):
        part = slice(ties.start[k], ties.start[k + 1])
        own = max(limit * typical, float(np.median(length[part])))
        keep[part] = (length[part] <= own) | held[part]
    counts = np.array(
        [np.count_nonzero(keep[ties.start[k] : ties.start[k + 1]]) for k in range(len(ties.pairs))]
    )
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return replace(ties, start=start, points=ties.points[keep], sigma=ties.sigma[keep])
