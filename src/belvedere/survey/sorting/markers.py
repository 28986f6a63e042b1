"""Which frames are markers: what does not continue the scene, by overlap, looks and place in the sequence."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from belvedere.survey.sorting.facts import Facts, is_plain
from belvedere.survey.sorting.joints import Joint

_SAME_VIEW = 0.9  # overlap from which two frames show the same view
_HIDDEN, _FREE = 0.7, 0.9  # agreement where something stands before one of two like views, and where not
_OUTSIDE = 3.0  # log odds for the frame outside the run of two that show the same view
_STANDS_BEFORE, _TWICE = 2.0, -6.0  # log odds for the one and the other
_FREER, _FREER_MOST = 15.0, 3.0  # log odds for an agreement with third frames that is less than the other's
_ENOUGH = 1.0  # log odds from which such a frame is a marker
_LOOKS = 0.5  # strength from which a frame that continues nothing is a marker
_LOOKS_SURE = 0.85  # the same, where it might be a frame of plain sky, or was held the other way
_LOOKS_APART = 5.0 / 6.0  # the same, apart from the ends of series, as between two markers: odds of 5 to 1
_ALONE = 3.0  # log odds of the looks that make a marker of a frame that overlaps others, but badly
_BADLY = 0.5
_HABIT_LEAST, _HABIT_SHARE = 1, 0.5  # marked ends of series that make a habit
# Odds of a marker at an end of a series, over the share of ends that are marked: 1 against a stray at one end
# in three, more than on most cards; and this against the 1 to 2 that the odds of looks count on.
_PER_SHARE = 3.0 / 0.5
# Log odds of a frame of one texture all over, as the ground is, and a hand out of focus that fills the frame:
# 45 of 45 simulated frames of ground are and 1 of 69 scenes, and one marker in five is taken to be.
_EVEN = math.log(3.5)
_SAME_EV = 0.4

LONE_CONFIDENCE = 0.55
"""Of a single frame of the ground between two series. Common practice, no published source."""

_WORDS = {
    "dark": "all dark, as with the lens cap on",
    "near-object": "something close to the lens",
    "chart": "a chart or card before the lens",
    "scene": "nothing close to the lens stands out",
    "blank": "over-exposed to white",
}


def find_markers(
    order: Sequence[int],
    facts: Sequence[Facts],
    joints: Sequence[Joint],
    brackets: Collection[tuple[int, ...]] = (),
) -> dict[int, str]:
    """Find marker frames among the frames of one lens, each with why.

    A frame that overlaps nothing is a marker where it looks like one. Where two frames show one view but do
    not agree all over it, something stands before the lens in one of them: in the one that looks more like it
    and that lies outside the run of frames that go on from each other. A frame that continues the scene is
    never a marker for its looks.

    Parameters
    ----------
    order : sequence of int
        Shots in the order shot.
    facts : sequence of Facts
        By shot.
    joints : sequence of Joint
        Overlaps found among them.
    brackets : collection of tuple of int
        Poses of stepped exposures; they show one view and are no markers.
    """
    views = _views(order, joints, brackets)
    out: dict[int, str] = {}
    for i in order:
        if views.near[i] and i not in views.stepped:
            said = _before_a_view(i, facts, views) or _badly_joined(facts[i], views.near[i])
            if said is not None:
                out[i] = said
    scene = {i for i in order if views.near[i] and i not in out}
    for k, i in enumerate(order):
        if not views.near[i] and (said := _alone(i, order, k, facts, scene)) is not None:
            out[i] = said
    return {i: out[i] for i in order if i in out}


def _alone(
    i: int, order: Sequence[int], k: int, facts: Sequence[Facts], scene: Collection[int]
) -> str | None:
    """Why a frame that overlaps nothing is a marker by its looks, given the frames that overlap others."""
    look = facts[i].marker
    if look is None or look.kind in ("scene", "blank"):
        return None
    beside = [order[n] for n in (k - 1, k + 1) if 0 <= n < len(order)]
    like_sky = look.kind != "dark" and any(
        n not in scene and is_plain(facts[n]) and strength(facts[n]) < _LOOKS for n in beside
    )
    before = next((n for n in reversed(order[:k]) if n in scene), None)
    after = next((n for n in order[k + 1 :] if n in scene), None)
    around = [n for n in (before, after) if n is not None]
    turned = bool(around) and all(facts[n].held != facts[i].held for n in around)
    apart = bool(around) and not any(n in scene for n in beside)
    least = max(_LOOKS_SURE * (like_sky or turned), _LOOKS_APART * apart, _LOOKS)
    return f"{_said(facts[i])}; shows nothing of the frames around it" if look.strength >= least else None


@dataclass(frozen=True, slots=True)
class _Views:
    """Joints by frame, which frames are of a run that goes on from one to the next, and stepped exposures."""

    near: dict[int, list[Joint]]
    in_run: dict[int, bool]
    stepped: frozenset[int]


def _views(order: Sequence[int], joints: Sequence[Joint], brackets: Collection[tuple[int, ...]]) -> _Views:
    place = {i: k for k, i in enumerate(order)}
    near: dict[int, list[Joint]] = {i: [] for i in order}
    for joint in joints:
        if joint.a in place and joint.b in place:
            near[joint.a].append(joint)
            near[joint.b].append(joint)
    stepped = frozenset(i for pose in brackets for i in pose)
    in_run = {
        i: any(j.overlap < _SAME_VIEW and abs(place[j.a] - place[j.b]) == 1 for j in near[i]) or i in stepped
        for i in order
    }
    return _Views(near, in_run, stepped)


def _before_a_view(i: int, facts: Sequence[Facts], views: _Views) -> str | None:
    """Why a frame shows the view of another with something before it."""
    for joint in views.near[i]:
        if joint.overlap < _SAME_VIEW:
            continue
        other = joint.b if joint.a == i else joint.a
        place, hidden = _hides(i, joint, views)
        own, others = _odds(facts[i]), _odds(facts[other])
        both = own > _ENOUGH and not views.in_run[i] and not views.in_run[other]  # two markers of one view
        if own + place + hidden > _ENOUGH and (both or own + place > others - place):
            hides = f"hides {1.0 - joint.agreement:.0%} of a view that another frame shows free"
            return f"{_said(facts[i])}; {hides}"
    return None


def _hides(i: int, joint: Joint, views: _Views) -> tuple[float, float]:
    """Log odds that of two frames of one view this is the one with something before it, and that one is."""
    other = joint.b if joint.a == i else joint.a
    place = _OUTSIDE * (views.in_run[other] - views.in_run[i]) + _less_free(i, other, views.near)
    share = min(max((joint.agreement - _HIDDEN) / (_FREE - _HIDDEN), 0.0), 1.0)
    return place, _STANDS_BEFORE + share * (_TWICE - _STANDS_BEFORE)


def hiding(
    order: Sequence[int], joints: Sequence[Joint], brackets: Collection[tuple[int, ...]] = ()
) -> dict[int, float]:
    """Log odds, besides its looks, that a frame that shows the view of another has something before it."""
    views = _views(order, joints, brackets)
    return {
        i: max(sum(_hides(i, j, views)) for j in near if j.overlap >= _SAME_VIEW)
        for i, near in views.near.items()
        if i not in views.stepped and any(j.overlap >= _SAME_VIEW for j in near)
    }


def _less_free(i: int, other: int, near: Mapping[int, Sequence[Joint]]) -> float:
    """Log odds that the first of two frames of one view is the one with something before the lens.

    By how well either agrees with third frames that both overlap.
    """
    first = {j.a + j.b - i: j.agreement for j in near[i]}
    second = {j.a + j.b - other: j.agreement for j in near[other]}
    third = sorted(set(first) & set(second))
    if not third:
        return 0.0
    less = sum(second[n] - first[n] for n in third) / len(third)
    return min(max(_FREER * less, -_FREER_MOST), _FREER_MOST)


def _badly_joined(facts: Facts, near: Sequence[Joint]) -> str | None:
    """Why a frame is a marker although it overlaps others in part."""
    if facts.marker is None or facts.marker.kind in ("scene", "blank") or _odds(facts) < _ALONE:
        return None
    if max(j.agreement for j in near) >= _BADLY:
        return None
    return f"{_said(facts)}; little of what it should share with other frames can be seen"


def agreeing(joints: Sequence[Joint]) -> frozenset[int]:
    """Shots that show the view of another and agree with it nearly all over."""
    return frozenset(i for j in joints if min(j.agreement, j.overlap) >= _FREE for i in (j.a, j.b))


def by_habit(
    order: Sequence[int],
    facts: Sequence[Facts],
    loose: Collection[int],
    markers: Collection[int],
    series: Sequence[Sequence[int]],
    hides: Mapping[int, float] | None = None,
) -> dict[int, str]:
    """Markers that their looks and their place tell together: frames that stand where other markers stand.

    In question is a frame that overlaps nothing, or repeats a view without agreeing all over it, next to the
    end of a series and held and exposed like the series before or after it with the same lens. There is a
    habit where a marker stands at one end at least, and at half of those ends where no frame in question
    does: what is to be proved proves nothing. Only frames of one texture all over speak for each other.
    The odds that the frame is a marker are those of its looks and of what it hides, times six times the share
    of ends that are marked. That share is (1 + marked) / (2 + told), by Laplace's rule of succession, of the
    ends where no frame in question stands.

    Parameters
    ----------
    order : sequence of int
        A body's shots in the order shot.
    loose : collection of int
        Shots in no series.
    markers : collection of int
        Markers found so far.
    series : sequence of sequence of int
        Shots of every series of the body.
    hides : mapping of int to float, or None
        As `hiding` tells it.
    """
    place = {i: k for k, i in enumerate(order)}
    home = {i: s for s, own in enumerate(series) for i in own}
    asked: list[int] = []
    for i in sorted(loose, key=lambda n: place[n]):
        k, look = place[i], facts[i].marker
        if look is None or look.kind == "blank":
            continue
        before = next((n for n in reversed(order[:k]) if n in home and facts[n].kin == facts[i].kin), None)
        after = next((n for n in order[k + 1 :] if n in home and facts[n].kin == facts[i].kin), None)
        near = [home[n] for n in (before, after) if n is not None]
        alike = any(_alike(facts[i], facts[n]) for s in near for n in series[s])
        at_end = any(0 <= n < len(order) and order[n] in home for n in (k - 1, k + 1))
        if alike and at_end:
            asked.append(i)
    first, last = ([place[end(own, key=lambda i: place[i])] for own in series] for end in (min, max))
    ends = {*(k - 1 for k in first), *(k + 1 for k in last if k + 1 not in first)}  # one where series adjoin
    stands = {order[k] for k in ends if 0 <= k < len(order)}
    known = stands & set(markers)
    empty = len(ends) - len(known | (stands & set(asked)))
    even = {i for i in asked if facts[i].ground}
    out = {}
    for i in asked:
        marked = len(known | (even - {i} if i in even else set()))
        if marked < max(_HABIT_LEAST, _HABIT_SHARE * (marked + empty)):
            continue
        share = (1.0 + marked) / (2.0 + marked + empty)
        seen = _odds_of_looks(facts[i]) + (hides or {}).get(i, 0.0)
        if seen + math.log(_PER_SHARE * share) > 0.0:
            out[i] = f"{_said(facts[i])}; continues no scene, and stands where other markers stand"
    return out


def between_series(
    order: Sequence[int], facts: Sequence[Facts], alone: Collection[int], series: Sequence[Sequence[int]]
) -> dict[int, str]:
    """Single frames of the ground that stand between two series, each with why: probably markers.

    The frame is held and exposed like the series next to it and shot with their lens, matches neither of
    them, and shows one texture all over. No habit need tell; so it is less sure than other markers.

    Parameters
    ----------
    order : sequence of int
        A body's shots in the order shot.
    alone : collection of int
        Shots that overlap no other.
    series : sequence of sequence of int
        Shots of every series of the body.
    """
    home = {i: s for s, own in enumerate(series) for i in own}
    out: dict[int, str] = {}
    for before, i, after in zip(order, order[1:], order[2:], strict=False):
        if i not in alone or before not in home or after not in home or home[before] == home[after]:
            continue
        if facts[i].ground and not is_plain(facts[i]) and any(
            _alike(facts[i], facts[n]) for n in (before, after)
        ):  # fmt: skip
            out[i] = (
                "probably a marker: it looks like the ground, stands alone between two series and continues "
                "neither"
            )
    return out


def _alike(a: Facts, b: Facts) -> bool:
    return a.kin == b.kin and a.held == b.held and (
        a.ev is None or b.ev is None or abs(a.ev - b.ev) <= _SAME_EV
    )  # fmt: skip


def strength(facts: Facts) -> float:
    """How much a frame looks like a marker, 0 to 1; white frames do not."""
    look = facts.marker
    return 0.0 if look is None or look.kind == "blank" else look.strength


def _odds(facts: Facts) -> float:
    s = min(max(strength(facts), 0.018), 0.982)
    return math.log(s / (1.0 - s))


def _odds_of_looks(facts: Facts) -> float:
    """Log odds that a frame is a marker: something is close to the lens, or it shows one texture all over."""
    return max(_odds(facts), _EVEN) if facts.ground else _odds(facts)


def _said(facts: Facts) -> str:
    look = facts.marker
    return look.why if look is not None and look.why else _WORDS[look.kind if look is not None else "scene"]
