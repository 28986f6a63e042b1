"""The pitches of a plan's rows: as few rows, and of those as few frames, as cover the view."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Literal

import numpy as np

from belvedere.errors import PlanError
from belvedere.plan.columns import TOUCH, widest_step
from belvedere.plan.head import Head, clicks_to, clicks_within
from belvedere.plan.joint_of_rows import RowOfFrames, joint_of
from belvedere.plan.rows import Asked, Rows, band_at, lay_rows, step_at
from belvedere.plan.view import FULL_TURN
from belvedere.plan.window import covered_band

End = Literal["pole", "past", "row"]
"""How rows end above or below: with a frame at the pole, a row that sees past the pole, or a plain row."""

_POLE = math.pi / 2
_EXACT = 1e-9
_NARROWED = (1.0, 0.8, 0.6)  # shares of the widest step, tried where they might save a row
_FEW_ROWS = 8  # up to so many rows are worth such trials
# To which share of the frames a plan must come down to give up the frame at a pole: where rows see well
# past it, and where they only just reach it.
_WORTH_PAST, _WORTH_TOUCHING = 0.9, 0.8
_LEAST_APART = 0.2  # of the usual distance, by which two rows stand apart where one would all but do
_STEEP = math.radians(75.0)  # above this a row goes round the zenith for what one frame there sees
_WIDE = math.radians(20.0)  # half the height of a frame from which spacings depend on where a row stands


def choose_rows(asked: Asked) -> Rows:
    """The rows that cover a view.

    Rows stand at equal distances. A pole within a view all round gets a frame of its own, unless the frames
    of the row next to it see it themselves and that saves a good part of all frames.

    Raises
    ------
    PlanError
        If the clicks of the head are too wide.
    """
    best: Rows | None = None
    for ends, worth in _ends(asked):
        if best is not None and len(best.pitches) > _FEW_ROWS:
            break
        for narrowed in _NARROWED:
            if narrowed < 1.0 and (best is None or not 1 < len(best.pitches) <= _FEW_ROWS):
                break
            found = _between(replace(asked, narrowed=narrowed), *ends)
            if found is not None and (best is None or found.frames < worth * best.frames):
                best = found
                worth = 1.0
    if best is None:
        raise _too_wide(asked)
    return best


def with_extra_row(asked: Asked, rows: Rows) -> Rows:
    """A row more, half a row's distance beyond either edge (a whole one beyond the other, next to a pole).

    `asked.extra` columns come with it. Where the view reaches both poles, there are only these.
    """
    pitches = rows.pitches
    spacing = pitches[0] - pitches[1] if len(pitches) > 1 else usual_spacing(asked)
    up, down = asked.view.pitch_high < _POLE - _EXACT, asked.view.pitch_low > -_POLE + _EXACT
    for share in (1.0, 0.9, 0.8, 0.7, 0.6, 0.5):
        s = spacing * share if len(pitches) == 1 else spacing
        for above in (0.5, 1.0, 0.0):
            if (above > 0.0 and not up) or (above < 1.0 and not down):
                continue
            top, bottom = pitches[0] + above * s, pitches[-1] - (1.0 - above) * s
            if top > _POLE or bottom < -_POLE:
                continue
            tried = _lay_to_sides(asked, spread(top, bottom, len(pitches) + 1, asked.head))
            if tried is not None:
                return tried
    tried = _lay_to_sides(asked, pitches)
    if tried is None:  # more columns at the same pitches share too little: look for others
        try:
            tried = choose_rows(asked)
        except PlanError:
            return rows
    return tried


def usual_spacing(asked: Asked) -> float:
    """Distance of rows near the level, on the axis, that share what is asked, rad."""
    overlap = max(asked.overlap, TOUCH)
    return 2.0 * math.atan((1.0 - overlap) * asked.window.up) if overlap < 1.0 else 0.0


def spread(top: float, bottom: float, count: int, head: Head) -> tuple[float, ...]:
    """Equal distances from top to bottom (rad), each pitch on a click of the head counted from the level."""
    pitches = [(top + bottom) / 2.0] if count == 1 else np.linspace(top, bottom, count).tolist()
    click = head.pitch_click
    if click is not None:
        pitches = [round(p / click) * click for p in pitches]
    return tuple(float(p) for p in pitches)


def _ends(asked: Asked) -> Iterator[tuple[tuple[End, End], float]]:
    """How the rows may end, and to which share of the frames so far this must bring them down."""
    view = asked.view
    clicks = asked.head.pitch_click
    on_click = clicks is None or abs(_POLE / clicks - round(_POLE / clicks)) < 1e-6
    up = view.full_turn and view.pitch_high >= _POLE - _EXACT and on_click
    down = view.full_turn and view.pitch_low <= -_POLE + _EXACT and on_click
    if up or down:
        yield ("pole" if up else "row", "pole" if down else "row"), 1.0
        yield ("past" if up else "row", "past" if down else "row"), _WORTH_PAST
    yield ("row", "row"), _WORTH_TOUCHING


def _between(asked: Asked, above: End, below: End) -> Rows | None:
    """The fewest rows, with these ends."""
    up = _mirrored(asked)
    top = _outermost(asked, above)
    bottom = _outermost(up, below)
    poles_only = _poles_only(asked, above, below)
    if poles_only is not None:
        return poles_only
    if top is None or bottom is None:
        return None
    bottom = -bottom
    caps = ((_POLE,) if above == "pole" else (), (-_POLE,) if below == "pole" else ())
    click = asked.head.pitch_click
    if click is not None:
        top, bottom = clicks_to(top, click) * click, clicks_within(bottom, click) * click

    def lay(count: int, t: float, b: float) -> Rows | None:
        return _lay_to_sides(asked, (*caps[0], *spread(t, b, count, asked.head), *caps[1]))

    if top <= bottom + _EXACT:  # one row could stand anywhere between
        for pitch in (min(max(asked.view.pitch, top), bottom), top, bottom):
            one = lay(1, pitch, pitch)
            if one is not None:
                return one
        top, bottom = max(top, bottom), min(top, bottom)
    most = usual_spacing(asked) * 0.99  # what areas between rows are counted to
    top, bottom = _parted(top, bottom, _LEAST_APART * most, click)
    loose = 1.3 if asked.window.half_tall > _WIDE else 1.02
    first = max(2, math.ceil((top - bottom) / (most * loose) - _EXACT) + 1)
    for count in range(first, first + first // 2 + 12):
        found = lay(count, top, bottom)
        if found is not None:
            return _widened(found, lay, count, top, bottom, most, (above, below))
    return None


def _parted(top: float, bottom: float, least: float, click: float | None) -> tuple[float, float]:
    """Pitches (rad) of the outermost of several rows, moved outwards to stand `least` or a click apart."""
    more = max(least, click or 0.0) - (top - bottom)
    if more <= _EXACT:
        return top, bottom
    up = (
        more if click and top < -bottom else 0.0 if click else more / 2.0
    )  # by whole clicks, away from a pole
    up = min(up, _POLE - top)
    down = min(more - up, _POLE + bottom)
    return top + (more - down), bottom - down


def _lay_to_sides(asked: Asked, pitches: tuple[float, ...]) -> Rows | None:
    """Rows at these pitches, with frames up to the view's sides where they share too little without."""
    rows = lay_rows(asked, pitches)
    if rows is None and not asked.view.full_turn:
        rows = lay_rows(replace(asked, to_sides=True), pitches)
    return rows


def _widened(
    found: Rows,
    lay: Callable[[int, float, float], Rows | None],
    count: int,
    top: float,
    bottom: float,
    most: float,
    ends: tuple[End, End],
) -> Rows:
    """The same rows farther apart, so that what they cover more than the view lies outside it."""
    free = [end == "row" for end in ends]
    room = (count - 1) * most - (top - bottom)
    if room <= _EXACT or not any(free):
        return found
    for share in (1.0, 0.95, 0.9, 0.8, 0.6, 0.3) if count <= _FEW_ROWS else (0.9, 0.4):
        more = room * share / sum(free)
        t, b = top + more * free[0], bottom - more * free[1]
        if max(t, -b) > _POLE - most / 2.0:
            continue
        tried = lay(count, t, b)
        if tried is not None and tried.frames <= found.frames:
            return tried
    return found


def _poles_only(asked: Asked, above: End, below: End) -> Rows | None:
    """One frame at a pole, where it covers all the view."""
    for end, pole in ((above, _POLE), (below, -_POLE)):
        if end == "pole":
            rows = lay_rows(asked, (pole,))
            if rows is not None:
                return rows
    return None


def _mirrored(asked: Asked) -> Asked:
    """The same with up and down exchanged."""
    view = asked.view
    return replace(asked, view=replace(view, pitch_low=-view.pitch_high, pitch_high=-view.pitch_low))


def _outermost(asked: Asked, end: End) -> float | None:
    """Lowest pitch (rad) that the top row, or the row next to the zenith's frame, may have."""
    if end == "pole":
        return _next_to_zenith(asked)
    high = asked.view.pitch_high

    def reaches(pitch: float) -> bool:
        band = band_at(asked, pitch)
        return band is not None and band[1] >= high

    beyond = asked.window.half_tall
    low, top = max(-_POLE, high - beyond - 1e-6), min(_POLE - 1e-6, high + beyond)
    top = next(
        (t for t in (high - beyond + 1e-4, high - 0.7 * beyond, high, top) if t <= top and reaches(t)), _POLE
    )
    if top == _POLE and not reaches(top):
        return None
    for _ in range(30):
        middle = (low + top) / 2.0
        low, top = (low, middle) if reaches(middle) else (middle, top)
    if end == "past":
        top = max(top, _POLE - beyond + 2.0 * beyond * asked.overlap)
        return top if top <= _STEEP else None
    return top


@lru_cache(maxsize=64)
def _next_to_zenith(asked: Asked) -> float | None:
    """Lowest pitch (rad) of a row that shares enough with a frame at the zenith."""
    cap = covered_band(asked.window, _POLE, math.pi)
    zenith = RowOfFrames(_POLE, np.array([asked.view.yaw]), False)
    edges = (asked.view.yaw_left, asked.view.yaw_right)

    def joins(pitch: float) -> bool:
        band = band_at(asked, pitch)
        if cap is None or band is None or band[1] < cap[0]:
            return False
        step = step_at(asked, pitch)
        if step <= 0.0:
            return False
        count = math.ceil(FULL_TURN / step - _EXACT)
        yaws = asked.view.yaw - math.pi + (np.arange(count) + 0.5) * FULL_TURN / count
        ring = RowOfFrames(pitch, yaws, True)
        return joint_of(asked.window, zenith, ring, edges).share >= asked.rows_overlap

    farthest = asked.window.half_tall + max(asked.window.half_wide, asked.window.half_tall)
    tried = _POLE - farthest * np.linspace(1.0, 0.05, 16)
    found = next((k for k, p in enumerate(tried.tolist()) if joins(p)), None)
    if found is None:
        return None
    top = float(tried[found])
    if found == 0:
        return top
    low = float(tried[found - 1])
    for _ in range(16):
        middle = (low + top) / 2.0
        low, top = (low, middle) if joins(middle) else (middle, top)
    return top


def _too_wide(asked: Asked) -> PlanError:
    head, view = asked.head, asked.view
    flattest = max(0.0, view.pitch_low, -view.pitch_high)
    step = widest_step(asked.window, flattest, asked.overlap)
    if head.yaw_click is not None and head.yaw_click > step:
        return _clicks_too_wide("turning", head.yaw_click, step)
    if head.pitch_click is not None:
        return _clicks_too_wide("tilting", head.pitch_click, usual_spacing(asked))
    return PlanError("no rows could be found that cover this view", "ask for less overlap")


def _clicks_too_wide(what: str, click: float, most: float) -> PlanError:
    fits = math.floor(math.degrees(most) * 100.0) / 100.0
    return PlanError(
        f"clicks of {math.degrees(click):g} degrees for {what} are too wide for this lens and overlap",
        f"about {fits:g} degrees would do, or a head that stops anywhere",
    )
