"""Links that the pixels contradict: they bring frames over each other that do not show the same."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from belvedere.align.links import Link, spanning_tree
from belvedere.align.overlap_check import Structure, Structures, likeness
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.start import Mapper, Matches, Pair
from belvedere.geometry.camera import Camera

# Right pairs of simulated and real sets correlated by 0.43 to 1.00, wrong ones by -0.17 to 0.14.
# No published source.
_UNLIKE = 0.25
_LEAST_OVERLAP = 0.06
_FEW_MATCHES = (
    25  # above this the matches themselves are the better witness (water and leaves do not correlate)
)


@dataclass(frozen=True, slots=True)
class Contradictions:
    """Pairs of frames that overlap by their cameras and show different things, and the link to blame."""

    pairs: tuple[Pair, ...]
    blamed: Link | None


def find_contradictions(
    structures: Structures | Sequence[Structure],
    frames: Sequence[int],
    cameras: Sequence[Camera],
    links: Sequence[Link],
    chosen: Matches,
    run: Mapper,
    keep: Collection[int] = (),
) -> Contradictions:
    """Ask the pixels of every overlap.

    Parameters
    ----------
    structures : Structures or sequence of Structure
        Of all frames of the series.
    frames, cameras : sequences
        The block.
    links : sequence of Link
        What the block was built from.
    chosen : dict
        Matches that agree with the block, by pair.
    keep : collection of int
        Frames the photographer wants kept: their links are not to blame, and what they contradict is only
        said.
    """
    at = dict(zip(frames, cameras, strict=True))
    jobs = overlapping_pairs(frames, cameras, least=_LEAST_OVERLAP)

    def differs(pair: Pair) -> bool:
        a, b = pair
        if len(chosen.get(pair, ())) >= _FEW_MATCHES:
            return False
        found = likeness(structures[a], structures[b], at[a], at[b])
        return bool(np.isfinite(found.correlation)) and found.correlation < _UNLIKE

    pairs = tuple(p for p, bad in zip(jobs, run(differs, jobs), strict=True) if bad)
    others = [p for p in pairs if not (p[0] in keep or p[1] in keep)]
    return Contradictions(pairs, _weakest_between(others, frames, links, keep))


def _weakest_between(
    pairs: Sequence[Pair], frames: Sequence[int], links: Sequence[Link], keep: Collection[int]
) -> Link | None:
    """The link most contradicting pairs hang together by: the weakest on the strongest way between them.

    Links of frames in `keep` and links made by hand are never it.
    """
    if not pairs:
        return None
    inside = set(frames)
    tree = spanning_tree(max(frames) + 1, [v for v in links if v.a in inside and v.b in inside])
    near: dict[int, list[tuple[int, Link]]] = {}
    for v in tree:
        near.setdefault(v.a, []).append((v.b, v))
        near.setdefault(v.b, []).append((v.a, v))
    votes: Counter[Pair] = Counter()
    for a, b in pairs:
        weakest = _weakest_on_way(near, a, b, keep)
        if weakest is not None:
            votes[weakest.a, weakest.b] += 1
    if not votes:
        return None
    strength = {(v.a, v.b): v for v in tree}
    worst = min(votes, key=lambda p: (-votes[p], strength[p].strength, p))
    return strength[worst]


def _weakest_on_way(
    near: dict[int, list[tuple[int, Link]]], start: int, end: int, keep: Collection[int]
) -> Link | None:
    weakest: dict[int, Link | None] = {start: None}
    stack = [start]
    while stack:
        i = stack.pop()
        for j, link in near.get(i, []):
            if j not in weakest:
                before = weakest[i]
                held = link.by_hand or i in keep or j in keep
                weaker = not held and (before is None or link.strength < before.strength)
                weakest[j] = link if weaker else before
                stack.append(j)
    return weakest.get(end)
