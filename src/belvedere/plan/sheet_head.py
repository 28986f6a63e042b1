"""The table on the field sheet: tilt of every row and turn of its stops, in shooting order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from belvedere.plan.head_words import first_stop_words, number_span, row_turns
from belvedere.plan.sheet_grid import degree_sign
from belvedere.plan.sheet_page import BLUE, BOLD, QUIET, Page, Style, text_width, wrapped
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan
from belvedere.plan.stops import Stop

_LISTED = 60  # up to so many stops every turn is listed
_MOST_ROWS = 40  # of more rows the middle ones are left to the plan's document
_TITLE = "The head"
_TITLE_LEADING, _OVER_LEADING, _LINE_LEADING = 1.75, 1.6, 1.06


@dataclass(frozen=True, slots=True)
class TableLine:
    """One row of stops as written: their numbers, the tilt, and the turns."""

    stops: str
    tilt: str
    turn: str


def head_lines(plan: ShootPlan) -> tuple[TableLine, ...]:
    """The table's lines, in shooting order; of many rows the first and last."""
    shot = sorted(plan.rows, key=lambda row: min(row.stops[0].number, row.stops[-1].number))
    first = row_turns(shot[0])[0]
    if len(shot) <= _MOST_ROWS:
        return tuple(_line(plan, row, first) for row in shot)
    ends = _MOST_ROWS // 2
    between = TableLine("...", "", "the rows between stand in the plan's file")
    begin, end = ([_line(plan, row, first) for row in part] for part in (shot[: ends - 1], shot[-ends:]))
    return (*begin, between, *end)


def head_height(lines: Sequence[TableLine], width: float, size: float) -> float:
    """Height that the table and the sentence over it take, points."""
    style, columns = _fit(len(lines), size)
    room = width / columns - _offsets(lines, style)[1]
    tall = [sum(len(wrapped(line.turn, room, style)) for line in part) for part in _parts(lines, columns)]
    over = (size + 1.0) * _TITLE_LEADING + _OVER_LEADING * size
    return over + max(tall) * style.leading * _LINE_LEADING


def draw_head(
    page: Page, plan: ShootPlan, lines: Sequence[TableLine], x: float, y: float, width: float, size: float
) -> float:
    """Draw the table, and over it where stop 1 looks; returns where the next may begin."""
    clicks = plan.head.yaw_click is not None or plan.head.pitch_click is not None
    title = Style(size + 1.0, BOLD, BLUE)
    page.text(x, y - title.size, _TITLE, title)
    said = "stops in shooting order; tilt from the level; turn to the right of stop 1"
    said += "; clicks in brackets" if clicks else ""
    page.text(x + text_width(_TITLE, title) + 10.0, y - title.size, said, Style(size * 0.85, ink=QUIET))
    y -= title.size * _TITLE_LEADING
    page.text(x, y - size, first_stop_words(plan), Style(size))
    y -= _OVER_LEADING * size
    style, columns = _fit(len(lines), size)
    offsets = _offsets(lines, style)
    least = y
    for column, part in enumerate(_parts(lines, columns)):
        at, left = y, x + column * width / columns
        for line in part:
            page.text(left, at - style.size, line.stops, Style(style.size, BOLD))
            page.text(left + offsets[0], at - style.size, line.tilt, style)
            for words in wrapped(line.turn, width / columns - offsets[1], style):
                page.text(left + offsets[1], at - style.size, words, style)
                at -= style.leading * _LINE_LEADING
        least = min(least, at)
    return least


def _fit(rows: int, size: float) -> tuple[Style, int]:
    """Letters and columns of the table: many rows are set smaller, and beside each other."""
    if rows > 14:
        return Style(min(size, 7.0)), 2
    return Style(size if rows <= 6 else min(size, 8.5)), 1


def _parts(lines: Sequence[TableLine], columns: int) -> list[Sequence[TableLine]]:
    each = -(-len(lines) // columns)
    return [lines[k * each : (k + 1) * each] for k in range(columns)]


def _line(plan: ShootPlan, row: PlannedRow, first: Stop) -> TableLine:
    stops = row_turns(row)
    tilt = degree_sign(row.pitch, signed=True)
    if stops[0].pitch_clicks is not None:
        tilt += f" ({_signed(stops[0].pitch_clicks)})"
    if plan.frames <= _LISTED:
        turn = ", ".join(_turn(stop, first) for stop in stops)
    elif len(stops) == 1:
        turn = degree_sign(stops[0].yaw - first.yaw, 2)
    else:
        begin, end = (degree_sign(s.yaw - first.yaw, 2) for s in (stops[0], stops[-1]))
        turn = f"{begin} to {end}, every {degree_sign(row.step, 2)}"
        if plan.head.yaw_click is not None:
            turn += f" ({round(row.step / plan.head.yaw_click)} clicks)"
    return TableLine(number_span(stops), tilt, turn)


def _turn(stop: Stop, first: Stop) -> str:
    words = degree_sign(stop.yaw - first.yaw)
    return words if stop.yaw_clicks is None else f"{words} ({_signed(stop.yaw_clicks)})"


def _signed(clicks: int) -> str:
    return f"–{-clicks}" if clicks < 0 else str(clicks)


def _offsets(lines: Sequence[TableLine], style: Style) -> tuple[float, float]:
    bold = Style(style.size, BOLD)
    tilt = max(text_width(line.stops, bold) for line in lines) + 14.0
    return tilt, tilt + max(text_width(line.tilt, style) for line in lines) + 14.0
