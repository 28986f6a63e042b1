"""Where to stop the head, in words: tilt of every row and turn of every stop."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

from belvedere.plan.number_words import GLUE, degrees_words, glued
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan
from belvedere.plan.stops import Stop

_LISTED_STOPS = 100  # up to here the turn of every stop is listed


def paragraph(text: str, width: int, first: str = "", later: str | None = None) -> list[str]:
    """Text in lines for a terminal, indented; a number and its unit stay together."""
    lines = textwrap.wrap(
        glued(text),
        width,
        initial_indent=first,
        subsequent_indent=first if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(GLUE, " ") for line in lines]


def row_turns(row: PlannedRow) -> list[Stop]:
    """A row's stops in shooting order."""
    return sorted(row.stops, key=lambda s: s.number)


def number_span(stops: Sequence[Stop]) -> str:
    """The numbers of a row's stops: "6 to 10", "7 and 8", "7"."""
    numbers = [s.number for s in stops]
    if len(numbers) < 3:
        return " and ".join(str(n) for n in sorted(numbers))
    return f"{min(numbers)} to {max(numbers)}"


def head_words(plan: ShootPlan, width: int) -> Iterator[str]:
    """Lines on where to stop the head: tilt of every row and turn of every stop, counted from stop 1."""
    first = plan.stops()[0]
    yield "The head"
    told = "Turn is counted from stop 1, to the right; tilt from the level. Degrees."
    yield from paragraph(f"{told} {first_stop_words(plan)}", width, "  ")
    shot = sorted(plan.rows, key=lambda row: min(s.number for s in row.stops))
    for row in _few(shot):
        if row is None:
            yield "  ..."
            continue
        stops = row_turns(row)
        tilt = degrees_words(row.pitch, signed=True)
        if stops[0].pitch_clicks is not None:
            tilt += f" ({_clicks(stops[0].pitch_clicks)})"
        name = f"  stop{'' if len(stops) == 1 else 's'} {number_span(stops)}: tilt {tilt}, turn "
        if plan.frames <= _LISTED_STOPS:
            turns = "  ".join(degrees_words(s.yaw - first.yaw) for s in stops)
            if stops[0].yaw_clicks is not None:
                turns += "  (clicks " + "  ".join(str(s.yaw_clicks) for s in stops) + ")"
        else:
            turns = _span(row, stops, first)
        yield from textwrap.wrap(name + turns, width, subsequent_indent=" " * 6, break_on_hyphens=False)
    steps = [degrees_words(row.step) for row in shot if row.step > 0.0]
    if steps:
        said = steps[0] if len(set(steps)) == 1 else f"{min(steps, key=float)} to {max(steps, key=float)}"
        yield from paragraph(f"From stop to stop in a row {said} degrees{_click_words(plan)}.", width, "  ")


def first_stop_words(plan: ShootPlan) -> str:
    """Where stop 1 looks, from the view's middle and by the compass, one sentence."""
    first = plan.stops()[0]
    if abs(first.pitch) > math.pi / 2.0 - 1e-3:
        return f"Stop 1 looks straight {'up' if first.pitch > 0.0 else 'down'}."
    where = f"Stop 1 looks {_aside(first.yaw - plan.view.yaw)}"
    bearing = plan.view.bearing(first.yaw)
    if bearing is not None:
        where += f", at bearing {round(math.degrees(bearing), 1) % 360:.1f}"
    return f"{where}."


def _click_words(plan: ShootPlan) -> str:
    click = plan.head.yaw_click
    if click is None:
        return ""
    counts = sorted({round(row.step / click) for row in plan.rows if row.step > 0.0})
    span = str(counts[0]) if len(counts) == 1 else f"{counts[0]} to {counts[-1]}"
    noun = "click" if counts == [1] else "clicks"
    return f", {span} {noun} of {math.degrees(click):g} degrees (rounded down, so no overlap is lost)"


def _span(row: PlannedRow, stops: Sequence[Stop], first: Stop) -> str:
    begin, end = (degrees_words(s.yaw - first.yaw, 2) for s in (stops[0], stops[-1]))
    return begin if len(stops) == 1 else f"{begin} to {end} by {degrees_words(row.step, 2)}"


def _few(rows: Sequence[PlannedRow], most: int = 24, ends: int = 4) -> list[PlannedRow | None]:
    return list(rows) if len(rows) <= most else [*rows[:ends], None, *rows[-ends:]]


def _clicks(number: int) -> str:
    return f"{number} click{'' if abs(number) == 1 else 's'}"


def _aside(yaw: float) -> str:
    if abs(yaw) < 1e-6:
        return "along the view's middle"
    return f"{degrees_words(abs(yaw))} degrees {'left' if yaw < 0 else 'right'} of the view's middle"
