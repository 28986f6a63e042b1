"""The grid of stops drawn in a terminal: numbers in shooting order, each where its frame looks."""

from __future__ import annotations

import math
from collections.abc import Sequence

from belvedere.plan.number_words import degrees_words
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan
from belvedere.plan.stops import Stop

WIDTH = 80
_LABEL = 9  # columns for a row's tilt
_WRAPPED_STOPS = 100  # up to here every number is shown, over several lines where a row is too long
_MOST_ROWS = 24
_ENDS = 4  # rows, and numbers of a row, shown at either end where not all are
_GAP = "..."
_HORIZON = "-"


def terminal_grid(plan: ShootPlan, width: int = WIDTH) -> tuple[str, ...]:
    """Draw a plan's stops as lines of text.

    Every number stands above the yaw its frame looks at, each row's tilt (degrees) before it, and a line
    marks the level where it passes between two rows. Up to 100 stops all numbers are shown, a row too long
    for a line going on in the next; of more, the ends of each row, and of many rows the first and last.

    Parameters
    ----------
    plan : ShootPlan
    width : int
        Columns there are, at least 40.
    """
    room = max(40, width) - _LABEL
    left, right = _reach(plan)
    lines: list[str] = []
    before: float | None = None
    for row in _shown(plan.rows):
        if row is None:
            lines.append(" " * _LABEL + _GAP)
            before = None
            continue
        if before is not None and before > 1e-6 and row.pitch < -1e-6:
            lines.append("level".rjust(_LABEL - 2) + "  " + _HORIZON * room)
        before = row.pitch
        label = (degrees_words(row.pitch, signed=True)).rjust(_LABEL - 2) + "  "
        drawn = _row_lines(row.stops, left, right, room, plan.frames)
        lines.append(label + drawn[0])
        lines.extend(" " * _LABEL + line for line in drawn[1:])
    scale = _scale(plan, left, right, room)
    return (*lines, *scale) if not _any_folded(plan, room) else tuple(lines)


def _reach(plan: ShootPlan) -> tuple[float, float]:
    yaws = [s.yaw for row in plan.rows for s in (row.stops[0], row.stops[-1])]
    return min(yaws), max(yaws)


def _shown(rows: Sequence[PlannedRow]) -> list[PlannedRow | None]:
    """The rows to draw; None stands for those left out."""
    if len(rows) <= _MOST_ROWS:
        return list(rows)
    return [*rows[:_ENDS], None, *rows[-_ENDS:]]


def _fits(stops: Sequence[Stop], room: int) -> bool:
    return sum(len(str(s.number)) for s in stops) + len(stops) - 1 <= room


def _any_folded(plan: ShootPlan, room: int) -> bool:
    return any(row is not None and not _fits(row.stops, room) for row in _shown(plan.rows))


def _row_lines(stops: Sequence[Stop], left: float, right: float, room: int, frames: int) -> list[str]:
    if _fits(stops, room):
        return [_placed(stops, left, right, room)]
    if frames <= _WRAPPED_STOPS:
        return _folded(stops, room)
    widest = len(str(frames))
    first, last = (
        " ".join(str(s.number).rjust(widest) for s in part) for part in (stops[:_ENDS], stops[-_ENDS:])
    )
    return [f"{first} {_GAP} {last}"]


def _placed(stops: Sequence[Stop], left: float, right: float, room: int) -> str:
    """Numbers centred on their yaw, at least a blank apart, none beyond the end of the line."""
    words = [str(s.number) for s in stops]
    widest = max(map(len, words))
    begins: list[int] = []
    for stop, word in zip(stops, words, strict=True):
        share = 0.5 if right - left < 1e-9 else (stop.yaw - left) / (right - left)
        at = round(share * (room - widest) + (widest - len(word)) / 2.0)
        begins.append(max(at, begins[-1] + len(words[len(begins) - 1]) + 1 if begins else 0))
    end = room
    for k in range(len(words) - 1, -1, -1):  # what was pushed beyond the end moves back
        begins[k] = min(begins[k], end - len(words[k]))
        end = begins[k] - 1
    line = ""
    for begin, word in zip(begins, words, strict=True):
        line += " " * (begin - len(line)) + word
    return line


def _folded(stops: Sequence[Stop], room: int) -> list[str]:
    """A long row over several lines, in columns, as many numbers in each as fit."""
    widest = max(len(str(s.number)) for s in stops)
    a_line = (room + 1) // (widest + 1)
    count = math.ceil(len(stops) / a_line)
    a_line = math.ceil(len(stops) / count)
    return [
        " ".join(str(s.number).rjust(widest) for s in stops[k : k + a_line])
        for k in range(0, len(stops), a_line)
    ]


def _scale(plan: ShootPlan, left: float, right: float, room: int) -> list[str]:
    """Below the grid: where its first, middle and last column look, by the compass where it is known."""
    if right - left < 1e-9:
        return []
    yaws = (left, (left + right) / 2.0, right)
    bearings = [plan.view.bearing(y) for y in yaws]
    words = [
        degrees_words(y, 0, signed=True) if b is None else f"{round(math.degrees(b)) % 360:03d}"
        for y, b in zip(yaws, bearings, strict=True)
    ]
    middle = words[1].center(room - len(words[0]) - len(words[2]))
    name = "bearing" if bearings[0] is not None else "yaw"
    return [name.rjust(_LABEL - 2) + "  " + words[0] + middle + words[2]]
