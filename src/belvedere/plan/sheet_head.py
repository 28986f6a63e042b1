"""The table on the field sheet: tilt of every row and turn of its stops, in shooting order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from belvedere.plan.head_words import number_span, row_turns
from belvedere.plan.sheet_grid import degree_sign
from belvedere.plan.sheet_page import BLUE, BOLD, QUIET, Page, Style, text_width, wrapped
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan

_LISTED = 60  # up to so many stops every turn is listed
_MOST_ROWS = 40  # of more rows the middle ones are left to the plan's document
_TITLE = "The head"


@dataclass(frozen=True, slots=True)
class _Line:
    stops: str
    tilt: str
    turn: str


def head_height(plan: ShootPlan, width: float, size: float) -> float:
    """Height that the table takes, points."""
    style, columns = _fit(plan, size)
    lines = sum(len(_wrapped(line, plan, width, style, columns)) for line in _lines(plan)) / columns
    return Style(size + 1.0).size * 1.75 + (lines + (0.999 if columns > 1 else 0.0)) * style.leading * 1.06


def draw_head(page: Page, plan: ShootPlan, x: float, y: float, width: float, size: float) -> float:
    """Draw the table; returns where the next may begin."""
    title = Style(size + 1.0, BOLD, BLUE)
    page.text(x, y - title.size, _TITLE, title)
    said = "stops in shooting order; tilt from the level; turn to the right of stop 1"
    if plan.head.yaw_click is not None or plan.head.pitch_click is not None:
        said += "; clicks in brackets"
    page.text(x + text_width(_TITLE, title) + 10.0, y - title.size, said, Style(size * 0.85, ink=QUIET))
    y -= title.size * 1.75
    style, columns = _fit(plan, size)
    lines = _lines(plan)
    each = -(-len(lines) // columns)
    least = y
    for column in range(columns):
        at, left = y, x + column * width / columns
        offsets = _offsets(lines, style)
        for line in lines[column * each : (column + 1) * each]:
            page.text(left, at - style.size, line.stops, Style(style.size, BOLD))
            page.text(left + offsets[0], at - style.size, line.tilt, style)
            for words in _wrapped(line, plan, width, style, columns):
                page.text(left + offsets[1], at - style.size, words, style)
                at -= style.leading * 1.06
        least = min(least, at)
    return least


def _fit(plan: ShootPlan, size: float) -> tuple[Style, int]:
    """Letters and columns of the table: many rows are set smaller, and beside each other."""
    rows = min(len(plan.rows), _MOST_ROWS)
    if rows > 14:
        return Style(min(size, 7.0)), 2
    return Style(size if rows <= 6 else min(size, 8.5)), 1


def _lines(plan: ShootPlan) -> list[_Line]:
    shot = sorted(plan.rows, key=lambda row: min(s.number for s in row.stops))
    if len(shot) <= _MOST_ROWS:
        return [_line(plan, row) for row in shot]
    ends = _MOST_ROWS // 2
    between = _Line("...", "", "the rows between stand in the plan's file")
    return [*(_line(plan, r) for r in shot[: ends - 1]), between, *(_line(plan, r) for r in shot[-ends:])]


def _line(plan: ShootPlan, row: PlannedRow) -> _Line:
    first, stops = plan.stops()[0], row_turns(row)
    tilt = degree_sign(row.pitch, signed=True)
    if stops[0].pitch_clicks is not None:
        tilt += f" ({_signed(stops[0].pitch_clicks)})"
    if plan.frames <= _LISTED:
        turn = ", ".join(degree_sign(s.yaw - first.yaw) for s in stops)
        if stops[0].yaw_clicks is not None:
            turn = ", ".join(
                f"{degree_sign(s.yaw - first.yaw)} ({_signed(s.yaw_clicks or 0)})" for s in stops
            )
    elif len(stops) == 1:
        turn = degree_sign(stops[0].yaw - first.yaw, 2)
    else:
        begin, end = (degree_sign(s.yaw - first.yaw, 2) for s in (stops[0], stops[-1]))
        turn = f"{begin} to {end}, every {degree_sign(row.step, 2)}"
        if stops[0].yaw_clicks is not None and plan.head.yaw_click is not None:
            turn += f" ({round(row.step / plan.head.yaw_click)} clicks)"
    return _Line(number_span(stops), tilt, turn)


def _signed(clicks: int) -> str:
    return f"–{-clicks}" if clicks < 0 else str(clicks)


def _offsets(lines: Sequence[_Line], style: Style) -> tuple[float, float]:
    bold = Style(style.size, BOLD)
    tilt = max(text_width(line.stops, bold) for line in lines) + 14.0
    return tilt, tilt + max(text_width(line.tilt, style) for line in lines) + 14.0


def _wrapped(line: _Line, plan: ShootPlan, width: float, style: Style, columns: int) -> list[str]:
    room = width / columns - _offsets(_lines(plan), style)[1]
    return wrapped(line.turn, room, style)
