"""What grouping knows of a shot besides what it shows: when, with which lens and settings, how it looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from belvedere.capture.card import Shot
from belvedere.survey.appearance.marker_look import MarkerLook
from belvedere.survey.sorting.look import Look
from belvedere.survey.sorting.order import BodySequence
from belvedere.survey.sorting.sorted_card import Held

_PLAIN = 48  # features of a frame that shows next to nothing to match
_SAME_FOCAL = 1.03  # a zoom ring that creeps


@dataclass(frozen=True, slots=True)
class Facts:
    """One shot.

    Parameters
    ----------
    kin : int
        Equal for shots of one body, lens, focal length (within 3 %) and size.
    held : "portrait", "landscape" or "square"
        How the frame is held.
    seconds : float or None
        By its body's clock.
    ev : float or None
        Light its settings gather, stops.
    features : int
        How many features it shows; few means plain.
    marker : MarkerLook or None
        How it looks by itself; None where nobody looked.
    ground : bool
        Whether it shows one texture all over, as the ground at the feet does.
    """

    kin: int
    held: Held
    seconds: float | None
    ev: float | None
    features: int
    marker: MarkerLook | None
    ground: bool = False


def is_plain(facts: Facts) -> bool:
    """Whether a frame shows next to nothing to match."""
    return facts.features < _PLAIN


def facts_of(
    shots: Sequence[Shot], sequences: Sequence[BodySequence], looks: Sequence[Look | None]
) -> tuple[Facts, ...]:
    """What is known of every shot of a card."""
    kin = kin_of(shots, sequences)
    seconds: list[float | None] = [None] * len(shots)
    for sequence in sequences:
        for i, s in zip(sequence.order, sequence.seconds, strict=True):
            seconds[i] = s
    out = []
    for i, (shot, look) in enumerate(zip(shots, looks, strict=True)):
        m = shot.exposure.metadata
        out.append(
            Facts(
                kin=kin[i],
                held=held(m.width, m.height),
                seconds=seconds[i],
                ev=m.exposure_ev,
                features=0 if look is None else len(look.points),
                marker=None if look is None else look.marker,
                ground=look is not None and look.ground,
            )
        )
    return tuple(out)


def held(width: int, height: int) -> Held:
    """How a frame of a displayed size is held."""
    return "square" if width == height else "portrait" if height > width else "landscape"


def kin_of(shots: Sequence[Shot], sequences: Sequence[BodySequence]) -> list[int]:
    """A number for every shot, equal where body, lens, focal length and size are the same."""
    out = [0] * len(shots)
    known: list[tuple[tuple[object, ...], float | None]] = []
    for s, sequence in enumerate(sequences):
        for i in sequence.order:
            m = shots[i].exposure.metadata
            key = (s, m.lens, max(m.stored_width, m.stored_height), min(m.stored_width, m.stored_height))
            for k, (other, focal) in enumerate(known):
                if other == key and _same_focal(focal, m.focal_mm):
                    out[i] = k
                    break
            else:
                out[i] = len(known)
                known.append((key, m.focal_mm))
    return out


def _same_focal(a: float | None, b: float | None) -> bool:
    if not a or not b:
        return not a and not b
    return max(a, b) < _SAME_FOCAL * min(a, b)
