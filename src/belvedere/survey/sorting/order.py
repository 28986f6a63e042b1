"""In which order every camera shot its frames: by its clock, or by its counter where the clock is wrong."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass

from belvedere.capture.card import Shot
from belvedere.capture.found_files import natural_key

_SET_BACK_S = 3000.0  # a clock that steps back further than this while the counter runs on was set, not read
_WRAPPED = 5000  # numbers missing between two neighbours of a folder that make the counter have run over
_DCF_NAME = re.compile(r"[0-9A-Za-z_]{3,4}[0-9]{4}")


@dataclass(frozen=True, slots=True)
class BodySequence:
    """The shots of one camera body in the order shot.

    Parameters
    ----------
    order : tuple of int
        Indices of shots.
    seconds : tuple of (float or None)
        Time of each since the body's first, s; None where the clock tells none or is wrong.
    notice : str or None
        A sentence where the clock was not followed.
    """

    order: tuple[int, ...]
    seconds: tuple[float | None, ...]
    notice: str | None = None


def order_shots(shots: Sequence[Shot]) -> tuple[BodySequence, ...]:
    """Put a card's shots into one sequence a body; bodies in the order of their first place on the card.

    A body is known by maker, model and serial number. Clocks of different bodies are never compared. Within
    a body the clock gives the order and the counter breaks ties; where a frame tells no time, or the clock
    runs back while the counter of one folder runs on, the counter gives it. A counter that goes from 9999 to
    0001 goes on; folders follow each other by their names (CIPA DC-009, Design rule for Camera File system:
    folder numbers 100 to 999, file numbers 0001 to 9999).
    """
    bodies: dict[tuple[str | None, ...], list[int]] = {}
    for i, shot in enumerate(shots):
        m = shot.exposure.metadata
        bodies.setdefault((m.make, m.model, m.serial), []).append(i)
    return tuple(_sequence(shots, members) for members in bodies.values())


def by_counter(shots: Sequence[Shot], members: Sequence[int]) -> list[int]:
    """Members folder by folder, in each by counter, begun after the gap where the counter ran over."""
    folders: dict[str, list[int]] = {}
    for i in members:
        folders.setdefault(_folder(shots[i]), []).append(i)
    out: list[int] = []
    for folder in sorted(folders, key=natural_key):
        out += _in_folder(shots, folders[folder])
    return out


def _in_folder(shots: Sequence[Shot], members: list[int]) -> list[int]:
    named = sorted(members, key=lambda i: natural_key(shots[i].place))
    if any(not _is_camera_name(shots[i]) for i in named):
        return named
    counted = sorted(named, key=lambda i: shots[i].counter or 0)
    numbers = [shots[i].counter or 0 for i in counted]
    gaps = [b - a for a, b in itertools.pairwise(numbers)]
    if gaps and max(gaps) > _WRAPPED:
        start = gaps.index(max(gaps)) + 1
        return counted[start:] + counted[:start]
    return counted


def _sequence(shots: Sequence[Shot], members: list[int]) -> BodySequence:
    counted = by_counter(shots, members)
    taken = {i: shots[i].exposure.metadata.taken for i in members}
    untimed = [i for i in counted if taken[i] is None]
    if untimed:
        notice = None
        if len(untimed) < len(counted):
            first = shots[untimed[0]].place
            more = f" and {len(untimed) - 1} more" if len(untimed) > 1 else ""
            notice = f"{first}{more}: no time of exposure, so frames are taken in the order of their numbers"
        return BodySequence(tuple(counted), _seconds(shots, counted), notice)
    rank = {i: k for k, i in enumerate(counted)}
    for i, j in itertools.pairwise(counted):
        back = (taken[i] - taken[j]).total_seconds()  # type: ignore[operator]
        same_folder = _folder(shots[i]) == _folder(shots[j])
        if same_folder and back > _SET_BACK_S and _is_camera_name(shots[i]) and _is_camera_name(shots[j]):
            notice = (
                f"{shots[j].place}: the camera's clock steps back here while its counter runs on, "
                "so frames are taken in the order of their numbers"
            )
            return BodySequence(tuple(counted), _seconds(shots, counted), notice)
    timed = sorted(counted, key=lambda i: (taken[i], rank[i]))
    return BodySequence(tuple(timed), _seconds(shots, timed))


def _seconds(shots: Sequence[Shot], order: Sequence[int]) -> tuple[float | None, ...]:
    times = [shots[i].exposure.metadata.taken for i in order]
    first = next((t for t in times if t is not None), None)
    return tuple(None if t is None or first is None else (t - first).total_seconds() for t in times)


def _folder(shot: Shot) -> str:
    return shot.place.rpartition("/")[0]


def _is_camera_name(shot: Shot) -> bool:
    """Whether a file is named as cameras name them: three or four characters and a number of four digits."""
    stem = shot.place.rpartition("/")[2].partition(".")[0]
    return shot.counter is not None and _DCF_NAME.fullmatch(stem) is not None
