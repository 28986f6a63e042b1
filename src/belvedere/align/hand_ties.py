"""Tie points set by hand: the links they make, their part in the adjustment, and whether they agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Lens, Ties
from belvedere.align.level_match import transfer
from belvedere.align.links import Link
from belvedere.align.pair_rotation import fit_rotation
from belvedere.align.remeasure import remeasure
from belvedere.align.said import SetTies
from belvedere.align.start import Matches, Pair, Sights
from belvedere.capture.frame_source import FrameSource
from belvedere.errors import NothingToMake
from belvedere.geometry.camera import Camera

# Common practice, no published source.
_POINTED = 1.0  # px to which a person sets a tie point, one sigma of a coordinate
_SEARCH = 12  # px within which the detail is looked for again
_REFINED = 3.0  # px by which a match may differ from what was set by hand
_LEAST_SIGMA = 0.15  # px; on an edge a match may slip along it, and these points are never cast out
_AGREES = 3.5  # px of the reduced copy by which a feature match may miss a rotation, as in `start.verify`
_GROSS_PX, _GROSS_SHARE = 10.0, 0.015  # px, and share of the diagonal while the lens is only nearly known


def links_by_hand(
    sights: Sights,
    lenses: Sequence[Lens],
    links: Sequence[Link],
    matches: Matches,
    left_out: frozenset[int] | set[int],
    names: Sequence[str],
) -> list[Link]:
    """The links, those of pairs with tie points set by hand made or confirmed by these.

    Parameters
    ----------
    lenses : sequence of Lens
        Starting lenses, one a group.
    links : sequence of Link
        Found from features.
    matches : dict
        Feature matches by pair; those that agree with the points set by hand count for the link.
    names : sequence of str
        Names of the frames, for the message.

    Raises
    ------
    NothingToMake
        If the points of a pair contradict one another grossly; names the pair and, of three or more, the
        point without which the others agree.
    """
    out = {(v.a, v.b): v for v in links}
    for ties in sights.by_hand:
        if not left_out & {ties.a, ties.b}:
            pair = (ties.a, ties.b)
            none = np.empty((0, 2), dtype=np.int64)
            out[pair] = _link(sights, lenses, ties, out.get(pair), matches.get(pair, none), names)
    return [out[pair] for pair in sorted(out)]


def _link(
    sights: Sights,
    lenses: Sequence[Lens],
    ties: SetTies,
    found: Link | None,
    matches: NDArray[np.int64],
    names: Sequence[str],
) -> Link:
    a, b = ties.a, ties.b
    lens_a, lens_b = lenses[sights.group_of[a]], lenses[sights.group_of[b]]
    focal = (lens_a.focal_px * lens_b.focal_px) ** 0.5
    rays_a = sights.rays_at(a, ties.points[:, :2] - sights.centres[a], lens_a)
    rays_b = sights.rays_at(b, ties.points[:, 2:] - sights.centres[b], lens_b)
    limit = max(_GROSS_PX, _GROSS_SHARE * 2.0 * float(np.linalg.norm(sights.centres[a]))) / focal
    rotation = fit_rotation(rays_a, rays_b)
    off = _apart(rotation, rays_a, rays_b)
    if off.max() > limit:
        raise NothingToMake(_contradiction(ties, rays_a, rays_b, off * focal, names))
    count = len(ties.points)
    if found is not None and _apart(found.rotation, rays_a, rays_b).max() <= limit:
        return replace(found, by_hand=count)
    seen_a, seen_b = sights.rays(a, matches[:, 0], lens_a), sights.rays(b, matches[:, 1], lens_b)
    pixel = max(sights.features[a].pixel, sights.features[b].pixel)
    return Link(
        a,
        b,
        rotation,
        matches,
        _apart(rotation, seen_a, seen_b) < _AGREES * pixel / focal,
        0.0,
        by_hand=count,
    )


def _apart(
    rotation: NDArray[np.float64], rays_a: NDArray[np.float64], rays_b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Angle in rad (small) by which every ray of a, turned, misses that of b."""
    return np.asarray(np.linalg.norm(rays_a @ rotation.T - rays_b, axis=1))


def _contradiction(
    ties: SetTies,
    rays_a: NDArray[np.float64],
    rays_b: NDArray[np.float64],
    off_px: NDArray[np.float64],
    names: Sequence[str],
) -> str:
    n = len(off_px)
    text = (
        f"the {n} tie points set by hand between {names[ties.a]} and {names[ties.b]} contradict one another "
        f"by {off_px.max():.0f} px"
    )
    if n == 2:
        return text + "; one of them is not the same detail in both"
    left = []
    for k in range(n):
        rest = np.arange(n) != k
        left.append(_apart(fit_rotation(rays_a[rest], rays_b[rest]), rays_a[rest], rays_b[rest]).max())
    x, y, u, v = ties.points[int(np.argmin(left))].tolist()
    return text + f"; the likeliest to be wrong is [{x:g}, {y:g}, {u:g}, {v:g}]"


def add_ties_by_hand(
    sights: Sights,
    at: dict[int, int],
    pairs: list[Pair],
    points: list[NDArray[np.float64]],
    sigma: list[NDArray[np.float64]],
    measured: dict[Pair, tuple[NDArray[np.float64], NDArray[np.float64]]] | None = None,
) -> None:
    """Add the tie points set by hand to those of a block, after the others of their pair.

    Parameters
    ----------
    at : dict
        Frame index to place in the block.
    pairs, points, sigma : lists
        As `solve.make_ties` takes them; grow.
    measured : dict or None
        Points as displayed and sigmas by frame pair, from `measure_by_hand`; None: as they were set.
    """
    place = {pair: k for k, pair in enumerate(pairs)}
    for ties in sights.by_hand:
        if ties.a not in at or ties.b not in at:
            continue
        own, wide = (measured or {}).get((ties.a, ties.b), (ties.points, np.full(len(ties.points), _POINTED)))
        own = own - np.concatenate([sights.centres[ties.a], sights.centres[ties.b]])
        pair = (at[ties.a], at[ties.b])
        if pair in place:
            k = place[pair]
            points[k], sigma[k] = np.concatenate([points[k], own]), np.concatenate([sigma[k], wide])
        else:
            pairs.append(pair)
            points.append(own)
            sigma.append(wide)


def measure_by_hand(
    source: FrameSource, sights: Sights, camera_of: dict[int, Camera]
) -> dict[Pair, tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Measure the tie points set by hand at full resolution; what is not found there stays as it was set.

    Parameters
    ----------
    camera_of : dict
        Frame index to camera of the block, nearly right.

    Returns
    -------
    dict of pair to (points, sigma)
        (n, 4) px as displayed and (n,) px; n as set.
    """
    out = {}
    for ties in sights.by_hand:
        if ties.a not in camera_of or ties.b not in camera_of:
            continue
        pair, cameras = (ties.a, ties.b), (camera_of[ties.a], camera_of[ties.b])
        points, sigma = ties.points.copy(), np.full(len(ties.points), _POINTED)
        _, affine, _ = transfer(points[:, :2], *cameras)
        for k in range(len(points)):
            found = remeasure(source, pair, cameras, ties.points[k : k + 1, :2], search=_SEARCH)
            if not len(found.a):
                continue
            wanted = ties.points[k, 2:] + affine[k] @ (found.a[0] - ties.points[k, :2])
            if np.linalg.norm(found.b[0] - wanted) <= _REFINED:
                points[k] = np.concatenate([found.a[0], found.b[0]])
                sigma[k] = max(found.sigma[0], _LEAST_SIGMA)
        out[pair] = points, sigma
    return out


def rows_by_hand(sights: Sights, frames: Sequence[int], ties: Ties) -> NDArray[np.bool_]:
    """Which of a block's tie points were set by hand: the last of their pairs, see `add_ties_by_hand`."""
    count = {(v.a, v.b): len(v.points) for v in sights.by_hand}
    out = np.zeros(len(ties.points), dtype=bool)
    for k, (i, j) in enumerate(ties.pairs.tolist()):
        end = int(ties.start[k + 1])
        out[end - count.get((frames[i], frames[j]), 0) : end] = True
    return out


def misses_by_hand(ties: SetTies, a: Camera, b: Camera) -> NDArray[np.float64]:
    """Px of frame b by which the points, as set, miss the cameras; inf where b looks elsewhere."""
    there, _ = b.project(a.rays(ties.points[:, :2]))
    off = np.linalg.norm(there - ties.points[:, 2:], axis=1)
    return np.asarray(np.where(np.isfinite(off), off, np.inf))
