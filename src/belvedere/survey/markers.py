"""Which frames are markers: what does not continue the scene, judged by overlap and by its looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from belvedere.survey.facts import Facts
from belvedere.survey.joints import Joint

_SURE = 0.75  # strength of a look from which a frame is a marker although some of the scene is seen past it
_LIKELY = 0.4  # the same, where nothing of the frame continues the scene
_SAME_VIEW = 0.8  # overlap from which two frames show the same view

_WORDS = {
    "dark": "all dark, as with the lens cap on",
    "near-object": "something close to the lens",
    "chart": "a chart or card before the lens",
}


@dataclass(frozen=True, slots=True)
class Ties:
    """How a frame hangs together with the frames around it.

    Parameters
    ----------
    matches : float
        Strength of its best joint; 0 where it has none.
    same_view : float
        The greatest overlap of any of its joints.
    """

    matches: float = 0.0
    same_view: float = 0.0


def ties_of(count: int, joints: Sequence[Joint]) -> list[Ties]:
    """The ties of every shot."""
    out = [Ties()] * count
    for joint in joints:
        for i in (joint.a, joint.b):
            out[i] = Ties(max(out[i].matches, joint.link.strength), max(out[i].same_view, joint.overlap))
    return out


def marker_words(facts: Facts, ties: Ties) -> str | None:
    """Why a frame is a marker, in words; None if it is none.

    A frame that looks like no scene is a marker where it does not continue one. A hand held before the lens
    leaves some of the scene to be seen: such a frame is a marker where its looks are sure.
    """
    look = facts.marker
    if look is None or look.kind not in _WORDS:
        return None
    said = f"{_WORDS[look.kind]} ({look.why})" if look.why else _WORDS[look.kind]
    if ties.matches == 0.0:
        return f"{said}; shows nothing of the frames around it" if look.strength >= _LIKELY else None
    if look.kind == "near-object" and look.strength >= _SURE:
        return f"{said}, before the view of the frame next to it"
    if look.kind == "near-object" and look.strength >= _LIKELY and ties.same_view >= _SAME_VIEW:
        return f"{said}, before a view that another frame shows free"
    return None
