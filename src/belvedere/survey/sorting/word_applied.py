"""The photographer's word carried out on what was found: series split, joined, and frames put back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from belvedere.survey.sorting.series_word import SeriesWord


@dataclass(frozen=True, slots=True)
class Found:
    """A series of shots, before it is written down.

    Parameters
    ----------
    poses : tuple of tuple of int
        Shots of every pose, in the order shot.
    rows : tuple of tuple of int
        Indices of `poses`, from top to bottom and left to right.
    missing : tuple of (row, column)
        Places where a frame is missing.
    confidence : float
        0 to 1.
    reasons : tuple of str
        What makes it a series, in words.
    """

    poses: tuple[tuple[int, ...], ...]
    rows: tuple[tuple[int, ...], ...]
    missing: tuple[tuple[int, int], ...]
    confidence: float
    reasons: tuple[str, ...]

    @property
    def shots(self) -> set[int]:
        return {i for pose in self.poses for i in pose}


def apply_word(
    found: Sequence[Found], word: SeriesWord, places: Sequence[str], sequences: Sequence[Sequence[int]]
) -> list[Found]:
    """Carry out the word: first splits, then frames that are no markers, then joins.

    Parameters
    ----------
    found : sequence of Found
        Series as found.
    places : sequence of str
        Of every shot, as the word names it.
    sequences : sequence of sequence of int
        Shots of every body in the order shot.
    """
    index = {place: i for i, place in enumerate(places)}
    rank = {i: (s, k) for s, order in enumerate(sequences) for k, i in enumerate(order)}
    out = list(found)
    for file in word.split_before:
        if file in index:
            out = [part for series in out for part in _split(series, rank[index[file]], rank)]
    for file in word.not_marker:
        if file in index and index[file] in rank and not any(index[file] in s.shots for s in out):
            out = _put_in(out, index[file], rank)
    for a, b in word.join:
        if a in index and b in index:
            out = _joined(out, index[a], index[b], rank)
    return out


def _split(series: Found, before: tuple[int, int], rank: dict[int, tuple[int, int]]) -> list[Found]:
    if rank[series.poses[0][0]][0] != before[0]:
        return [series]
    late = [k for k, pose in enumerate(series.poses) if rank[pose[0]] >= before]
    early = [k for k in range(len(series.poses)) if k not in set(late)]
    if not late or not early:
        return [series]
    said = "split off by the photographer's word"
    return [_part(series, early, said), _part(series, late, said)]


def _part(series: Found, kept: Sequence[int], said: str) -> Found:
    new = {k: n for n, k in enumerate(kept)}
    rows = tuple(own for row in series.rows if (own := tuple(new[k] for k in row if k in new)))
    return Found(tuple(series.poses[k] for k in kept), rows, (), 1.0, (*series.reasons, said))


def _put_in(found: list[Found], shot: int, rank: dict[int, tuple[int, int]]) -> list[Found]:
    """The shot as a frame of the series whose frames were shot next to it."""
    body, place = rank[shot]
    near = [
        (abs(rank[pose[0]][1] - place), s, p)
        for s, series in enumerate(found)
        for p, pose in enumerate(series.poses)
        if rank[pose[0]][0] == body
    ]
    if not near:
        return found
    _, s, p = min(near)
    series = found[s]
    after = rank[series.poses[p][0]] < rank[shot]
    at = p + 1 if after else p
    rows = [[k + (k >= at) for k in row] for row in series.rows]
    neighbour = p + (p >= at)
    row = next(r for r in rows if neighbour in r)
    before = at - 1 if at - 1 in row else None
    next_one = at + 1 if at + 1 in row else None
    if before is not None and (next_one is None or row.index(next_one) > row.index(before)):
        row.insert(row.index(before) + 1, at)
    else:
        row.insert(row.index(neighbour), at)
    whole = replace(
        series,
        poses=(*series.poses[:at], (shot,), *series.poses[at:]),
        rows=tuple(tuple(r) for r in rows),
        reasons=(*series.reasons, "one frame is in it by the photographer's word"),
    )
    return [whole if k == s else other for k, other in enumerate(found)]


def _joined(found: list[Found], a: int, b: int, rank: dict[int, tuple[int, int]]) -> list[Found]:
    first = next((k for k, s in enumerate(found) if a in s.shots), None)
    second = next((k for k, s in enumerate(found) if b in s.shots), None)
    if first is None or second is None or first == second:
        return found
    one, other = sorted((found[first], found[second]), key=lambda s: rank[s.poses[0][0]])
    shift = len(one.poses)
    poses = [*one.poses, *other.poses]
    rows = [*one.rows, *(tuple(k + shift for k in row) for row in other.rows)]
    order = sorted(range(len(poses)), key=lambda k: rank[poses[k][0]])
    new = {k: n for n, k in enumerate(order)}
    whole = Found(
        tuple(poses[k] for k in order),
        tuple(tuple(new[k] for k in row) for row in rows),
        (),
        1.0,
        (*one.reasons, "joined by the photographer's word"),
    )
    at = min(first, second)
    rest = [s for k, s in enumerate(found) if k not in (first, second)]
    return [*rest[:at], whole, *rest[at:]]
