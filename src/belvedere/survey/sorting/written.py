"""What was decided, written down as a sorted card with its reasons and how sure each is."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from belvedere.capture.card import Card
from belvedere.capture.frame import Frame
from belvedere.survey.sorting.facts import Facts, held, is_plain
from belvedere.survey.sorting.group import Grouped
from belvedere.survey.sorting.joints import Optics
from belvedere.survey.sorting.markers import LONE_CONFIDENCE
from belvedere.survey.sorting.order import BodySequence
from belvedere.survey.sorting.rows import find_rows
from belvedere.survey.sorting.series import Draft
from belvedere.survey.sorting.series_names import name_series
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard
from belvedere.survey.sorting.word_applied import Found, apply_word

_SAME_EV = 0.3


@dataclass(frozen=True, slots=True)
class Decided:
    """What was decided on one stretch.

    Parameters
    ----------
    order : tuple of int
        Its shots in the order shot.
    grouped : Grouped
        Series and what is left over.
    markers : mapping of int to str
        Marker frames, each with why.
    agreeing : frozenset of int
        Shots that agree with another all over what they share: surely no markers.
    unsure : frozenset of int
        Markers that only look and stand like one.
    hides : mapping of int to float
        Log odds of something before the lens, for shots that show the view of another.
    """

    order: tuple[int, ...]
    grouped: Grouped
    markers: Mapping[int, str]
    agreeing: frozenset[int] = frozenset()
    unsure: frozenset[int] = frozenset()
    hides: Mapping[int, float] = field(default_factory=dict)


def write_card_down(
    card: Card,
    frames: Sequence[Frame],
    facts: Sequence[Facts],
    sequences: Sequence[BodySequence],
    optics: Optics,
    decided: Sequence[Decided],
    unreadable: Mapping[int, str],
    word: SeriesWord,
) -> SortedCard:
    """Write everything down; every shot of the card lands in exactly one place."""
    places = [shot.place for shot in card.shots]
    rank = {i: (s, k) for s, q in enumerate(sequences) for k, i in enumerate(q.order)}
    found = [_found(d.grouped, draft, optics, facts) for d in decided for draft in d.grouped.drafts]
    found = apply_word(found, word, places, [q.order for q in sequences])
    found.sort(key=lambda f: rank[f.poses[0][0]])
    names = name_series(found, card.shots, word)
    in_series = {i for f in found for i in f.shots}
    markers = {i: why for d in decided for i, why in d.markers.items() if i not in in_series}
    index = {place: i for i, place in enumerate(places)}
    said = {index[f] for f in word.marker if f in index}
    markers |= dict.fromkeys(said, "by the photographer's word")
    unsure = {i for d in decided for i in d.unsure} - said
    strays = _strays(decided, facts, places)
    strays |= {index[f]: "left out by the photographer's word" for f in word.leave_out if f in index}
    by_order = sorted(rank, key=lambda i: rank[i])
    notices = [*card.notices, *(q.notice for q in sequences if q.notice)]
    return SortedCard(
        card=str(card.root),
        series=tuple(_series(card, f, name, facts) for f, name in zip(found, names, strict=True)),
        markers=tuple(
            SetApart(places[i], markers[i], LONE_CONFIDENCE if i in unsure else 1.0)
            for i in by_order
            if i in markers and i not in in_series
        ),
        strays=tuple(
            SetApart(places[i], strays.get(i, "continues no series"))
            for i in by_order
            if i not in markers and i not in in_series
        ),
        unreadable=(
            *(SetApart(place, why) for place, why in card.unreadable),
            *(SetApart(places[i], why) for i, why in sorted(unreadable.items())),
        ),
        notices=tuple(notices),
    )


def _found(grouped: Grouped, draft: Draft, optics: Optics, facts: Sequence[Facts]) -> Found:
    poses = tuple(grouped.poses[p] for p in draft.poses)
    fields = np.array([_field(optics, pose[0]) for pose in poses])
    grid = find_rows(draft.rotations, fields)
    return Found(poses, grid.rows, grid.missing, _confidence(draft), _reasons(draft, grid.rows, poses, facts))


def _field(optics: Optics, frame: int) -> tuple[float, float]:
    """Angles of view across and up, rad."""
    lens, centre = optics.lenses[optics.group_of[frame]], optics.centres[frame]
    return (
        2.0 * math.atan((centre[0] + 0.5) / lens.focal_px),
        2.0 * math.atan((centre[1] + 0.5) / lens.focal_px),
    )


def _confidence(draft: Draft) -> float:
    """How sure a series is: by its weakest joint, and by what was placed without overlap.

    The figures only put series in order; no published source.
    """
    sure = 1.0 - 0.5 * math.exp(-draft.weakest / 12.0)
    count = len(draft.poses)
    by_sequence, by_regularity = (draft.placed.count(how) / count for how in ("sequence", "regularity"))
    sure *= 1.0 - 0.5 * by_sequence - 0.7 * by_regularity
    if count == 2:
        sure *= 0.9
    return round(min(0.99, max(0.05, sure)), 3)


def _reasons(
    draft: Draft, rows: Sequence[Sequence[int]], poses: Sequence[Sequence[int]], facts: Sequence[Facts]
) -> tuple[str, ...]:
    overlap = draft.placed.count("overlap")
    between = draft.placed.count("sequence")
    parted = any(r.startswith("two parts") for r in draft.reasons)
    if parted and not draft.placed.count("regularity"):
        out = ["frames overlap their neighbours within its parts"]
    else:
        out = [f"{overlap} of {len(poses)} frames overlap their neighbours" if overlap < len(poses)
               else f"all {len(poses)} frames overlap their neighbours"]  # fmt: skip
    if between and not parted:
        few = "frame without overlap falls" if between == 1 else "frames without overlap fall"
        out.append(f"{between} {few} on the place left free between those shot before and after")
    out += draft.reasons
    if all(len(row) == 1 for row in rows):
        out.append(f"one column of {len(rows)} frames")
    else:
        out.append("one row" if len(rows) == 1 else f"{len(rows)} rows, {_way(rows)}")
    if len(poses[0]) > 1:
        steps = ", ".join(f"{e - (facts[poses[0][0]].ev or 0.0):+.1f}" for i in poses[0]
                          if (e := facts[i].ev) is not None)  # fmt: skip
        out.append(f"every pose shot {len(poses[0])} times, at {steps} EV")
    return tuple(out)


def _way(rows: Sequence[Sequence[int]]) -> str:
    """In which order the rows were shot, in words."""
    ways = [np.sign(row[-1] - row[0]) for row in rows if len(row) > 1]
    firsts = [min(row) for row in rows]
    whole = sorted(rows, key=min)
    if any(max(a) > min(b) for a, b in itertools.pairwise(whole)):
        return "shot in no regular order"
    vertical = "from the top" if firsts == sorted(firsts) else "from the bottom" if firsts == sorted(
        firsts, reverse=True) else "in no regular order"  # fmt: skip
    if not ways:
        return f"shot {vertical}"
    if len(set(ways)) == 1:
        across = "each from left to right" if ways[0] > 0 else "each from right to left"
    else:
        across = "to and fro"
    return f"shot {vertical}, {across}"


def _strays(decided: Sequence[Decided], facts: Sequence[Facts], places: Sequence[str]) -> dict[int, str]:
    out: dict[int, str] = {}
    for d in decided:
        poses = d.grouped.poses
        for apart, other in d.grouped.repeats:
            for i in poses[apart]:
                out[i] = _repeat_words(facts[i], facts[poses[other][0]], places[poses[other][0]])
        for p in d.grouped.loose:
            for i in poses[p]:
                look = facts[i].marker
                if look is not None and look.kind == "blank":
                    out[i] = "over-exposed to white; continues no series"
                elif is_plain(facts[i]):
                    out[i] = "shows next to nothing to match and continues no series"
                else:
                    out[i] = "overlaps no frame shot around it"
    return out


def _repeat_words(own: Facts, other: Facts, place: str) -> str:
    said = f"shows the view of {place} again"
    if own.ev is not None and other.ev is not None and abs(own.ev - other.ev) > _SAME_EV:
        return f"{said}, {own.ev - other.ev:+.1f} EV against it"
    return said


def _series(card: Card, found: Found, name: str, facts: Sequence[Facts]) -> Series:
    shots, poses = card.shots, found.poses
    first = [shots[pose[0]] for pose in poses]
    every = [shots[i] for pose in poses for i in pose]
    taken = [s.exposure.metadata.taken for s in every]
    ways = Counter(held(s.exposure.metadata.width, s.exposure.metadata.height) for s in first)
    return Series(
        name=name,
        frames=tuple(s.place for s in first),
        rows=tuple(tuple(first[k].place for k in row) for row in found.rows),
        missing=found.missing,
        brackets=tuple(tuple(shots[i].place for i in pose) for pose in poses) if len(poses[0]) > 1 else (),
        twins={s.place: _place(s.twin, card.root) for s in every if s.twin is not None},
        focal_mm=first[0].exposure.metadata.focal_mm,
        orientation=ways.most_common(1)[0][0],
        started=taken[0].isoformat() if taken[0] is not None else None,
        ended=taken[-1].isoformat() if taken[-1] is not None else None,
        why="; ".join(found.reasons),
        confidence=found.confidence,
    )


def _place(file: Path, root: Path) -> str:
    place = file.relative_to(root) if file.is_relative_to(root) else file
    return place.as_posix().encode("utf-8", "backslashreplace").decode("utf-8")
