"""The door of sorting: from the shots of a card, and looks at them, to series, markers and strays."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from belvedere.align.start import Mapper, Pair
from belvedere.capture.card import Card
from belvedere.capture.frame import Frame
from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.facts import Facts, facts_of
from belvedere.survey.sorting.group import group_stretch, stepped_poses, stretches
from belvedere.survey.sorting.joints import Joint, Optics, find_joints, learn_optics, pairs_to_try
from belvedere.survey.sorting.look import Depth, Look
from belvedere.survey.sorting.markers import agreeing, between_series, by_habit, find_markers, hiding
from belvedere.survey.sorting.order import BodySequence, order_shots
from belvedere.survey.sorting.series import stands_for_a_frame
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.sorted_card import SortedCard
from belvedere.survey.sorting.written import Decided, write_card_down

LookAt = Callable[[int, Depth], Look | None]

_CLOSE_MOST = 12  # frames of a stretch looked at closely: enough for its boundaries


def sort_card(card: Card, look: LookAt, word: SeriesWord | None = None, *, run: Mapper = map) -> SortedCard:
    """Sort a card into series with their rows, marker frames and strays.

    Parameters
    ----------
    card : Card
        As read.
    look : function of (index of shot, depth)
        Gives a Look at a shot; None where it carries no embedded picture. "embedded" is asked once a shot,
        "reduced" where that gives no or too small a picture, "close" for few frames in doubt.
    word : SeriesWord or None
        The photographer's word, which overrules what is found.
    run : Mapper
        How shots are looked at and compared: `map`, or the like over threads.

    Returns
    -------
    SortedCard
        Every shot is in exactly one place. A shot whose look raises UnreadableFile is under `unreadable`.
    """
    word = word or SeriesWord()
    looks, unreadable = _look_at_all(card, look, run)
    sequences = [_without(s, unreadable) for s in order_shots(card.shots)]
    apart = set(_named(card, (*word.leave_out, *word.marker)))
    frames = [Frame((shot.exposure,)) for shot in card.shots]
    facts = facts_of(card.shots, sequences, looks)
    parts = [s for sequence in sequences for s in stretches(sequence.order, facts)]
    parts = [tuple(i for i in s if i not in apart) for s in parts]
    neighbours = [(min(p), max(p)) for s in parts for p in itertools.pairwise(s)]
    optics = learn_optics(frames, looks, neighbours, run)
    scenes = set(_named(card, word.not_marker))
    decided: list[Decided] = []
    for part in parts:
        joints = find_joints(pairs_to_try(part, looks, run), looks, optics, run)
        field = max((_short_field(optics, i) for i in part), default=1.0)

        def group(joints: Sequence[Joint], part: Sequence[int] = part, field: float = field) -> Decided:
            brackets = stepped_poses(part, facts, joints)
            words = find_markers(part, facts, joints, brackets)
            words = {i: w for i, w in words.items() if i not in scenes}
            return Decided(
                order=tuple(part),
                grouped=group_stretch(part, facts, joints, words, field),
                markers=words,
                agreeing=agreeing(joints),
                hides=hiding(part, joints, brackets),
            )

        found = group(joints)
        closely = _in_doubt(found, part)
        if closely:
            joints = _with_close_look(joints, closely, part, look, looks, optics, run)
            found = group(joints)
        decided.append(found)
    decided = _with_habit(decided, sequences, facts, scenes)
    return write_card_down(card, frames, facts, sequences, optics, decided, unreadable, word)


def _with_habit(
    decided: Sequence[Decided], sequences: Sequence[BodySequence], facts: Sequence[Facts], scenes: set[int]
) -> list[Decided]:
    """What was decided, with markers that only their place tells: by the photographer's habit, or alone."""
    words: dict[int, str] = {}
    unsure: set[int] = set()
    for sequence in sequences:
        own = set(sequence.order)
        parts = [d for d in decided if own & set(d.order)]
        loose = {
            i
            for d in parts
            for p in (*d.grouped.loose, *(apart for apart, _ in d.grouped.repeats))
            for i in d.grouped.poses[p]
            if i not in d.agreeing and not any(stands_for_a_frame(one, p) for one in d.grouped.drafts)
        }
        series = [
            [i for p in draft.poses for i in d.grouped.poses[p]] for d in parts for draft in d.grouped.drafts
        ]
        markers = {i for d in parts for i in d.markers}
        hides = {i: odds for d in parts for i, odds in d.hides.items()}
        told = by_habit(sequence.order, facts, loose, markers, series, hides)
        alone = {i for d in parts for p in d.grouped.loose for i in d.grouped.poses[p]} - {*told, *markers}
        lone = between_series(sequence.order, facts, alone - scenes, series)
        words |= told | lone
        unsure |= set(lone)
    return [
        replace(
            d,
            markers={**d.markers, **{i: words[i] for i in d.order if i in words and i not in scenes}},
            unsure=frozenset(unsure & set(d.order)),
        )
        for d in decided
    ]


def _look_at_all(card: Card, look: LookAt, run: Mapper) -> tuple[list[Look | None], dict[int, str]]:
    """The first look at every shot, and the second where the first is not enough; what cannot be read."""

    def first_and_second(i: int) -> Look | UnreadableFile | None:
        try:
            found = look(i, "embedded")
            return found if found is not None and found.enough else look(i, "reduced") or found
        except UnreadableFile as error:
            return error

    looks: list[Look | None] = []
    unreadable: dict[int, str] = {}
    for i, found in enumerate(run(first_and_second, range(len(card.shots)))):
        if isinstance(found, UnreadableFile):
            unreadable[i] = found.why
        looks.append(None if isinstance(found, UnreadableFile) else found)
    return looks, unreadable


def _in_doubt(found: Decided, part: Sequence[int]) -> list[int]:
    """Frames worth a close look: those left over, the ends of series, and the frames next to them."""
    grouped = found.grouped
    if len(part) - len(found.markers) < 2 or (not grouped.loose and len(grouped.drafts) < 2):
        return []
    poses = grouped.poses
    wanted: list[int] = []
    for p in grouped.loose[:_CLOSE_MOST]:
        wanted += [q for q in (p - 1, p, p + 1) if 0 <= q < len(poses)]
    for a, b in zip(grouped.drafts, grouped.drafts[1:], strict=False):
        wanted += [a.poses[0], a.poses[-1], b.poses[0], b.poses[-1]]
    return sorted({poses[p][0] for p in wanted})


def _with_close_look(
    joints: Sequence[Joint],
    closely: Sequence[int],
    part: Sequence[int],
    look: LookAt,
    looks: Sequence[Look | None],
    optics: Optics,
    run: Mapper,
) -> list[Joint]:
    """The joints, with those that only a close look at some frames finds."""

    def close(i: int) -> Look | None:
        try:
            return look(i, "close")
        except UnreadableFile:
            return looks[i]

    place = {i: k for k, i in enumerate(part)}
    near = dict(zip(closely, run(close, closely), strict=True))
    known = {(j.a, j.b) for j in joints}
    pairs: list[Pair] = []
    for i in closely:
        for j in closely:
            pair = (min(i, j), max(i, j))
            if place[i] < place[j] and pair not in known:
                pairs.append(pair)
    some: list[Look | None] = [near.get(i) for i in range(len(looks))]
    return [*joints, *find_joints(pairs, some, optics, run)]


def _short_field(optics: Optics, frame: int) -> float:
    """Angle of view across a frame's short side, rad."""
    focal = optics.lenses[optics.group_of[frame]].focal_px
    return 2.0 * math.atan((float(optics.centres[frame].min()) + 0.5) / focal)


def _without(sequence: BodySequence, unreadable: dict[int, str]) -> BodySequence:
    kept = [k for k, i in enumerate(sequence.order) if i not in unreadable]
    return BodySequence(
        tuple(sequence.order[k] for k in kept), tuple(sequence.seconds[k] for k in kept), sequence.notice
    )


def _named(card: Card, files: Sequence[str]) -> list[int]:
    index = {shot.place: i for i, shot in enumerate(card.shots)}
    return [index[f] for f in files if f in index]
