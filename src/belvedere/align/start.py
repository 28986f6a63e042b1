"""From features to a first block: matches, starting lenses, verified links."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Block, Lens, LensPrior, Ties, adjust
from belvedere.align.features import Features
from belvedere.align.focal import MatchedPair, disagreement, homography_inliers, scan_focal
from belvedere.align.lens_groups import Group
from belvedere.align.links import Link
from belvedere.align.matching import gate, likely_pairs, match
from belvedere.align.pair_rotation import find_rotation, fit_rotation
from belvedere.align.said import SetTies
from belvedere.geometry.camera import undistortion_scale
from belvedere.optics.lens_fit import RadialFit

Mapper = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]
"""Applies a pure function to jobs, in order: the built-in `map`, or one that uses threads."""

Pair = tuple[int, int]
Matches = dict[Pair, NDArray[np.int64]]

_LEARN_PAIRS = 24  # pairs from which a group's lens is learnt
_LEARN_LEAST = 16  # matches on one homography that make a pair worth learning from
_TOLERANCE = 3.5  # agreement of a match with a rotation, px of the reduced copy
_AGREEMENT = (
    0.12  # mean cost under which a tagged focal length explains the pictures: about 0.75 px of the copy
)
_BEYOND_RIVAL = 6.0  # agreeing matches a pair must have beyond its best rival; no published source
_UNKNOWN_FOCAL = 1.2  # of the long side, where nothing tells


@dataclass(frozen=True, slots=True)
class Sights:
    """What every frame shows: features, and geometry of the frame as displayed.

    Parameters
    ----------
    features : tuple of Features
        One a frame.
    centres : ndarray of shape (n, 2)
        Centre of every frame as displayed, px.
    axes : ndarray of shape (n, 2, 2)
        Sensor offsets to displayed offsets.
    group_of : ndarray of shape (n,), int64
        Lens group of every frame.
    by_hand : tuple of SetTies
        Tie points the photographer set.
    """

    features: tuple[Features, ...]
    centres: NDArray[np.float64]
    axes: NDArray[np.float64]
    group_of: NDArray[np.int64]
    by_hand: tuple[SetTies, ...] = ()

    def offsets(self, frame: int, which: NDArray[np.int64]) -> NDArray[np.float64]:
        """Positions of some features from the frame's centre, px."""
        return np.asarray(self.features[frame].points[which] - self.centres[frame])

    def rays(self, frame: int, which: NDArray[np.int64], lens: Lens) -> NDArray[np.float64]:
        """Unit rays of some features in the camera's axes."""
        return self.rays_at(frame, self.offsets(frame, which), lens)

    def rays_at(self, frame: int, offsets: NDArray[np.float64], lens: Lens) -> NDArray[np.float64]:
        """Unit rays in the camera's axes of positions (n, 2) from the frame's centre, px."""
        d = (offsets - self.axes[frame] @ np.array(lens.offset)) / lens.focal_px
        d = d * undistortion_scale(np.hypot(d[:, 0], d[:, 1]), lens.distortion)[:, None]
        v = np.column_stack([d, np.ones(len(d))])
        return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))


@dataclass(frozen=True, slots=True)
class StartingLens:
    """A group's lens before the block is solved, its prior, and a sentence if the tags were wrong."""

    lens: Lens
    prior: LensPrior
    notice: str | None


def match_likely_pairs(features: Sequence[Features], run: Mapper) -> Matches:
    """Match all pairs that may overlap."""
    pairs = likely_pairs(features)
    found = run(lambda p: match(features[p[0]], features[p[1]]), pairs)
    return dict(zip(pairs, found, strict=True))


def learn_lenses(
    sights: Sights, groups: Sequence[Group], matches: Matches, run: Mapper = map
) -> list[StartingLens]:
    """A starting lens for every group, from its tags and from the pictures, each checked by the other.

    Where a group's distortion may start from the lens list, that start has to make at least as many matches
    agree as starting from none does; else it is left, and said.
    """
    pairs = [_pairs_to_learn_from(sights, g, matches) for g in range(len(groups))]
    learnt = [_learn(sights, group, g, pairs[g]) for g, group in enumerate(groups)]
    listed = [g for g, group in enumerate(groups) if group.start is not None]
    if not listed:
        return learnt
    plain = list(learnt)
    for g in listed:
        plain[g] = _learn(sights, replace(groups[g], start=None), g, pairs[g])
    agreeing = [_agreeing(sights, starts, matches, run) for starts in (learnt, plain)]
    for g in listed:
        if agreeing[0][g] < agreeing[1][g]:
            lens = groups[g].metadata.lens or "this lens"
            told = f"what the lens list says of {lens} contradicts the pictures; it was not used"
            learnt[g] = replace(plain[g], notice="; ".join(n for n in (told, plain[g].notice) if n))
    return learnt


def _agreeing(
    sights: Sights, starts: Sequence[StartingLens], matches: Matches, run: Mapper
) -> NDArray[np.int64]:
    """How many matches between frames of each group agree on rotations."""
    out = np.zeros(len(starts), dtype=np.int64)
    for link in verify_pairs(sights, [s.lens for s in starts], matches, run):
        if sights.group_of[link.a] == sights.group_of[link.b]:
            out[sights.group_of[link.a]] += np.count_nonzero(link.inliers)
    return out


def verify_pairs(sights: Sights, lenses: Sequence[Lens], matches: Matches, run: Mapper) -> list[Link]:
    """Links of all pairs whose matches agree on one rotation, beyond chance."""
    jobs = [p for p in sorted(matches) if len(matches[p]) >= 9]
    found = run(lambda p: verify(sights, lenses, p, matches[p]), jobs)
    return [v for v in found if v is not None]


def verify(sights: Sights, lenses: Sequence[Lens], pair: Pair, matches: NDArray[np.int64]) -> Link | None:
    """Verify one pair under the camera model (rotation and known lenses)."""
    a, b = pair
    lens_a, lens_b = lenses[sights.group_of[a]], lenses[sights.group_of[b]]
    focal = (lens_a.focal_px * lens_b.focal_px) ** 0.5
    pixel = max(sights.features[a].pixel, sights.features[b].pixel)
    rays_a = sights.rays(a, matches[:, 0], lens_a)
    rays_b = sights.rays(b, matches[:, 1], lens_b)
    field = 2.0 * float(np.linalg.norm(sights.centres[a])) / focal
    found = find_rotation(rays_a, rays_b, _TOLERANCE * pixel / focal, different=0.03 * field)
    if found is None:
        return None
    inside = _falls_inside(rays_a @ found.rotation.T, sights.centres[b], lens_b)
    inliers = int(np.count_nonzero(found.inliers))
    beyond_chance = inliers * (1.0 - found.rival)  # what the best wrong rotation reaches is chance
    if not gate(inliers, int(np.count_nonzero(inside | found.inliers))) or beyond_chance < _BEYOND_RIVAL:
        return None
    return Link(a, b, found.rotation, matches, found.inliers, found.rival)


def _falls_inside(rays: NDArray[np.float64], centre: NDArray[np.float64], lens: Lens) -> NDArray[np.bool_]:
    """Whether rays in a camera's axes fall on its frame (distortion left aside: this only counts)."""
    z = np.where(rays[:, 2] > 1e-6, rays[:, 2], np.inf)
    u, v = lens.focal_px * rays[:, 0] / z, lens.focal_px * rays[:, 1] / z
    return np.asarray((rays[:, 2] > 1e-6) & (np.abs(u) <= centre[0]) & (np.abs(v) <= centre[1]))


def _pairs_to_learn_from(sights: Sights, group: int, matches: Matches) -> list[MatchedPair]:
    candidates = []
    ranked = sorted(matches.items(), key=lambda item: (-len(item[1]), item[0]))
    for (a, b), m in ranked[: 4 * _LEARN_PAIRS]:
        if sights.group_of[a] != group or sights.group_of[b] != group or len(m) < _LEARN_LEAST:
            continue
        pa, pb = sights.offsets(a, m[:, 0]), sights.offsets(b, m[:, 1])
        good = homography_inliers(pa, pb, 3.0 * sights.features[a].pixel)
        if np.count_nonzero(good) < max(_LEARN_LEAST, 0.25 * len(m)):
            continue
        pa, pb = pa[good], pb[good]
        moved = float(np.median(np.linalg.norm(pa - pb, axis=1)))
        if moved < 4.0 * sights.features[a].pixel:
            continue  # the same view twice tells nothing of the focal length
        candidates.append(MatchedPair(pa, pb))
        if len(candidates) == _LEARN_PAIRS:
            break
    return candidates


def _learn(sights: Sights, group: Group, g: int, pairs: list[MatchedPair]) -> StartingLens:
    pixel = float(np.median([sights.features[i].pixel for i in group.frames]))
    corner_px = float(np.hypot(group.metadata.stored_width, group.metadata.stored_height)) / 2.0
    tagged_px = tuple(f * (group.start.focal_factor if group.start else 1.0) for f in group.tagged_px)
    tagged = tagged_px[0] if tagged_px else None

    def lens_at(focal: float) -> Lens:
        return Lens(focal, (0.0, 0.0), _listed_distortion(group.start, corner_px / focal), corner_px / focal)

    def prior_at(focal: float, sigma: float) -> LensPrior:
        mean = (0.0, 0.0, 0.0) if group.start is None else _listed_corner(group.start)
        return LensPrior(focal, sigma, 0.004 * corner_px, corner_mean=mean)

    if not pairs:
        focal = tagged if tagged is not None else _UNKNOWN_FOCAL * group.long_side
        notice = None if tagged else "nothing tells the focal length; a normal lens was assumed"
        return StartingLens(lens_at(focal), prior_at(focal, 0.05), notice)
    agreeing = [f for f in tagged_px if disagreement(pairs, f, group.long_side, pixel) < _AGREEMENT]
    focal = agreeing[0] if agreeing else 0.0
    if not agreeing:
        scan = scan_focal(pairs, group.long_side, pixel)
        best = float(scan.cost.min())
        agreeing = [f for f in tagged_px if scan.cost_at(f) <= best + 0.02 + 0.2 * best]
        focal = agreeing[0] if agreeing else scan.best_px
    prior = prior_at(focal, 0.1 if agreeing else 0.4)
    lens = _pairwise(sights, g, pairs, lens_at(focal), prior, pixel)
    notice = None
    if tagged is not None and abs(np.log(lens.focal_px / tagged)) > 0.08:
        notice = (
            f"the focal length tagged ({tagged:.0f} px) contradicts the pictures, "
            f"which give {lens.focal_px:.0f} px; the pictures were followed"
        )
    return StartingLens(lens, replace(prior, focal_px=lens.focal_px), notice)


def _listed_corner(start: RadialFit) -> tuple[float, float, float]:
    """Displacements of the corner as the list has them, at the focal length that goes with them."""
    a, b, c = start.corner
    f2 = start.focal_factor**2
    return a / f2, b / f2**2, c / f2**3


def _listed_distortion(start: RadialFit | None, corner: float) -> tuple[float, float, float]:
    """(k1, k2, k3) as the list has them for a corner at `corner` focal lengths; 0 where it says nothing."""
    if start is None:
        return 0.0, 0.0, 0.0
    a, b, c = _listed_corner(start)
    return a / corner**2, b / corner**4, c / corner**6


def _pairwise(
    sights: Sights, g: int, pairs: Sequence[MatchedPair], lens: Lens, prior: LensPrior, pixel: float
) -> Lens:
    """Solve the lens with every pair standing for itself: no chain, so no drift and nothing to contradict."""
    count = len(pairs)
    rotations = np.tile(np.eye(3), (2 * count, 1, 1))
    for k, p in enumerate(pairs):
        a = np.column_stack([p.a / lens.focal_px, np.ones(len(p.a))])
        b = np.column_stack([p.b / lens.focal_px, np.ones(len(p.b))])
        a /= np.linalg.norm(a, axis=1, keepdims=True)
        b /= np.linalg.norm(b, axis=1, keepdims=True)
        rotations[2 * k + 1] = fit_rotation(a, b)
    frame = int(np.flatnonzero(sights.group_of == g)[0])
    block = Block(
        rotations,
        (lens,),
        np.zeros(2 * count, dtype=np.int64),
        np.tile(sights.axes[frame], (2 * count, 1, 1)),
    )
    points = [np.hstack([p.a, p.b]) for p in pairs]
    start = np.concatenate([[0], np.cumsum([len(p) for p in points])]).astype(np.int64)
    pair_index = np.arange(2 * count, dtype=np.int64).reshape(count, 2)
    ties = Ties(pair_index, start, np.concatenate(points), np.full(int(start[-1]), pixel))
    # one pair cannot tell the principal point from a turn: it stays at the centre for now
    held = replace(prior, offset_sigma_px=1e-3 * prior.offset_sigma_px)
    solved = adjust(block, ties, [held], steps=25).block.lenses[0]
    if abs(np.log(solved.focal_px / lens.focal_px)) > 0.5:
        return lens
    return Lens(solved.focal_px, (0.0, 0.0), solved.distortion, solved.corner)
