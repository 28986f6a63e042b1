"""The grid on the field sheet: frames as they lie on the view, stops numbered in shooting order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.plan_grid import frame_window
from belvedere.plan.sheet_page import BLACK, BLUE, BOLD, FAINT, QUIET, Page, Style, text_width
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan
from belvedere.plan.stops import Stop
from belvedere.plan.view import FULL_TURN

_LABELS = 46.0  # points to the left, for tilts
_AXIS = 15.0  # points below, for yaws
_DRAWN_FRAMES = 400  # more outlines than this are a grey mass
_LEAST_NUMBER = 5.0  # points: smaller numbers cannot be read
_LARGEST_NUMBER = 15.0
_DENSE_NUMBER = 9.0  # points: below, outlines are drawn lighter
_PER_SIDE = 9
_TILT = Style(9.0)


@dataclass(frozen=True, slots=True)
class GridMap:
    """From yaw and pitch (rad) to points on the page.

    Parameters
    ----------
    x0, y0 : float
        Where yaw 0 and the level lie, points.
    scale : float
        Points per radian, both ways.
    left, right, low, high : float
        Bounds of what is drawn, rad.
    """

    x0: float
    y0: float
    scale: float
    left: float
    right: float
    low: float
    high: float

    def at(self, yaw: float, pitch: float) -> tuple[float, float]:
        """Where a direction lies, points."""
        return self.x0 + self.scale * yaw, self.y0 + self.scale * pitch


def grid_height(plan: ShootPlan, width: float, most: float) -> float:
    """Height that the drawing takes at this width, at most `most`, points."""
    left, right, low, high = _bounds(plan)
    return min(most, (width - _LABELS) / (right - left) * (high - low) + _AXIS)


def draw_grid(
    page: Page,
    plan: ShootPlan,
    x: float,
    top: float,
    width: float,
    height: float,
    *,
    sun: tuple[float, float] | None = None,
) -> None:
    """Draw a plan's grid into a box on the page, and the sun (yaw and pitch, rad) where it stands in it.

    Frames are outlined where there are at most 400; every number is drawn where it can be read, else the
    first and last of each row. Below a number stands the turn from stop 1, where there is room.
    """
    left, right, low, high = _bounds(plan)
    room, tall = width - _LABELS, height - _AXIS
    scale = min(room / (right - left), tall / (high - low))
    across = x + _LABELS + (room - scale * (right - left)) / 2.0
    bottom = top - tall + (tall - scale * (high - low)) / 2.0
    area = GridMap(across - scale * left, bottom - scale * low, scale, left, right, low, high)
    canvas = page.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(across, bottom, scale * (right - left), scale * (high - low))
    canvas.clipPath(clip, stroke=0, fill=0)
    if plan.frames <= _DRAWN_FRAMES:
        _frames(page, plan, area)
    _view_and_level(page, plan, area)
    _path(page, plan, area)
    canvas.restoreState()
    if sun is not None:
        _sun(page, area, *sun)
    _numbers(page, plan, area)
    _tilts(page, plan, area, across - 6.0)
    _axis(page, plan, area, bottom)


def _bounds(plan: ShootPlan) -> tuple[float, float, float, float]:
    """Left, right, low and high of what is drawn: the view and the frames about it, rad."""
    window = frame_window(plan.sensor, plan.focal_mm, plan.orientation)
    view = plan.view
    pitches = [row.pitch for row in plan.rows]
    low = max(-math.pi / 2.0, min(view.pitch_low, min(pitches) - window.half_tall))
    high = min(math.pi / 2.0, max(view.pitch_high, max(pitches) + window.half_tall))
    if view.full_turn:
        return view.yaw_left, view.yaw_right, low, high
    left, right = view.yaw_left, view.yaw_right
    for row in plan.rows:
        border = outline(plan, row.pitch)
        reach = window.half_wide if border is None else float(border[:, 0].max())
        left, right = min(left, row.stops[0].yaw - reach), max(right, row.stops[-1].yaw + reach)
    return max(left, view.yaw - math.pi), min(right, view.yaw + math.pi), low, high


def outline(plan: ShootPlan, pitch: float) -> NDArray[np.float64] | None:
    """Border of a frame at yaw 0 as yaws and pitches (n, 2), rad; None where it holds a pole."""
    window = frame_window(plan.sensor, plan.focal_mm, plan.orientation)
    t = np.linspace(-1.0, 1.0, _PER_SIDE)[:-1]
    one = np.ones_like(t)
    x = np.concatenate([t, one, -t, -one]) * window.across
    y = np.concatenate([-one, t, one, -t]) * window.up
    s, c = math.sin(pitch), math.cos(pitch)
    down, forward = y * c - s, y * s + c
    yaws = np.arctan2(x, forward)
    if np.any(np.abs(np.diff(yaws, append=yaws[:1])) > math.pi / 2.0) or abs(pitch) > math.pi / 2.0 - 1e-6:
        return None
    return np.stack([yaws, np.arctan2(-down, np.hypot(x, forward))], axis=-1)


def _frames(page: Page, plan: ShootPlan, area: GridMap) -> None:
    canvas = page.canvas
    dense = _number_size(plan, area) < _DENSE_NUMBER
    canvas.setStrokeColorRGB(*(FAINT if dense else QUIET))
    canvas.setFillColorRGB(*BLUE)
    canvas.setLineWidth(0.3 if dense else 0.45)
    canvas.setFillAlpha(0.05 if dense else 0.07)
    for row in plan.rows:
        border = outline(plan, row.pitch)
        if border is None:
            continue
        for stop in row.stops:
            for turn in (-FULL_TURN, 0.0, FULL_TURN) if plan.view.full_turn else (0.0,):
                at = stop.yaw + turn
                if at + border[:, 0].max() < area.left or at + border[:, 0].min() > area.right:
                    continue
                path = canvas.beginPath()
                for k, (yaw, pitch) in enumerate(border.tolist()):
                    (path.lineTo if k else path.moveTo)(*area.at(at + yaw, pitch))
                path.close()
                canvas.drawPath(path, stroke=1, fill=1)
    canvas.setFillAlpha(1.0)


def _view_and_level(page: Page, plan: ShootPlan, area: GridMap) -> None:
    view, canvas = plan.view, page.canvas
    x0, y0 = area.at(view.yaw_left, view.pitch_low)
    x1, y1 = area.at(view.yaw_right, view.pitch_high)
    canvas.setStrokeColorRGB(*BLUE)
    canvas.setLineWidth(1.4)
    canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=1, fill=0)
    if area.low < 0.0 < area.high:
        canvas.setDash(1.0, 3.0)
        canvas.setLineWidth(0.7)
        canvas.setStrokeColorRGB(*QUIET)
        canvas.line(*area.at(area.left, 0.0), *area.at(area.right, 0.0))
        canvas.setDash()


def _sun(page: Page, area: GridMap, yaw: float, pitch: float) -> None:
    """A disc with rays, larger than life."""
    turned = (yaw - area.left) % FULL_TURN + area.left
    if not (area.left <= turned <= area.right and area.low <= pitch <= area.high):
        return
    x, y = area.at(turned, pitch)
    canvas = page.canvas
    canvas.setStrokeColorRGB(*BLACK)
    canvas.setFillColorRGB(1.0, 1.0, 1.0)
    canvas.setLineWidth(1.0)
    canvas.circle(x, y, 3.2, stroke=1, fill=1)
    for k in range(8):
        c, s = math.cos(k * math.pi / 4.0), math.sin(k * math.pi / 4.0)
        canvas.line(x + 4.6 * c, y + 4.6 * s, x + 7.0 * c, y + 7.0 * s)


def _path(page: Page, plan: ShootPlan, area: GridMap) -> None:
    """A thin line from stop to stop, open around each where the number stands."""
    size = _number_size(plan, area)
    gap = size * 0.95 if size >= _LEAST_NUMBER else 0.0
    if plan.frames > _DRAWN_FRAMES:
        for row in plan.rows:
            page.line(
                *area.at(row.stops[0].yaw, row.pitch), *area.at(row.stops[-1].yaw, row.pitch), FAINT, 0.4
            )
        return
    stops = plan.stops()
    for a, b in pairwise(stops):
        (xa, ya), (xb, yb) = area.at(a.yaw, a.pitch), area.at(b.yaw, b.pitch)
        long = math.hypot(xb - xa, yb - ya)
        if long <= 2.2 * gap:
            continue
        ux, uy = (xb - xa) / long * gap, (yb - ya) / long * gap
        page.line(xa + ux, ya + uy, xb - ux, yb - uy, FAINT, 0.9)


def _number_size(plan: ShootPlan, area: GridMap) -> float:
    """Size of the numbers, points, that leaves a little air between neighbours."""
    widest = text_width(str(plan.frames), Style(1.0, BOLD))
    across, down = _spacing(plan, area)
    return min(_LARGEST_NUMBER, across * 0.86 / widest, down * 0.62)


def _spacing(plan: ShootPlan, area: GridMap) -> tuple[float, float]:
    """Least distance of neighbours in a row, and of rows, points; the whole drawing where there are none."""
    steps = [row.step for row in plan.rows if row.step > 0.0]
    rows = [a.pitch - b.pitch for a, b in pairwise(plan.rows)]
    across = min(steps, default=area.right - area.left)
    return across * area.scale, min(rows, default=area.high - area.low) * area.scale


def _numbers(page: Page, plan: ShootPlan, area: GridMap) -> None:
    size = _number_size(plan, area)
    if size < _LEAST_NUMBER:
        _ends_only(page, plan, area)
        return
    first = plan.stops()[0]
    number, turn = Style(size, BOLD), Style(min(9.0, max(6.5, size * 0.62)), ink=QUIET)
    across, down = _spacing(plan, area)
    widest = max(text_width(turn_words(s, first), turn) for row in plan.rows for s in row.stops)
    with_turn = widest * 1.12 < across and down > size + turn.size * 1.6
    tall = size + (turn.size * 1.15 if with_turn else 0.0)
    lowest, highest = area.at(0.0, area.low)[1] + 2.0, area.at(0.0, area.high)[1] - 2.0 - tall
    for row in plan.rows:
        for stop in row.stops:
            x, y = area.at(stop.yaw, stop.pitch)
            foot = min(max(y - tall / 2.0, lowest), highest)
            words, under = str(stop.number), turn_words(stop, first) if with_turn else ""
            _clear(page, x, foot, max(text_width(words, number), text_width(under, turn)), tall)
            page.text(x, foot + tall - size * 0.86, words, number, "middle")
            if under:
                page.text(x, foot + turn.size * 0.18, under, turn, "middle")


def _clear(page: Page, x: float, foot: float, wide: float, tall: float) -> None:
    """Fade what lies behind a number."""
    page.canvas.setFillColorRGB(1.0, 1.0, 1.0)
    page.canvas.setFillAlpha(0.72)
    page.canvas.roundRect(x - wide / 2.0 - 1.0, foot, wide + 2.0, tall, 2.0, stroke=0, fill=1)
    page.canvas.setFillAlpha(1.0)


def _ends_only(page: Page, plan: ShootPlan, area: GridMap) -> None:
    """The first and last number of each row at its ends, of as many rows as can be read.

    Of a row too short for both, the one shot first.
    """
    style = Style(6.5, BOLD)
    lowest, highest = area.at(0.0, area.low)[1] + 1.0, area.at(0.0, area.high)[1] - 6.0
    for row in _readable_rows(plan, area):
        first, last = row.stops[0], row.stops[-1]
        left, y = area.at(first.yaw, row.pitch)
        right = area.at(last.yaw, row.pitch)[0]
        foot = min(max(y - 2.4, lowest), highest)
        wide = [text_width(str(stop.number), style) for stop in (first, last)]
        if right - left > sum(wide) + 4.0:
            ends = [(first, left + wide[0] / 2.0), (last, right - wide[1] / 2.0)]
        else:
            ends = [(min(first, last, key=lambda stop: stop.number), (left + right) / 2.0)]
        for stop, x in ends:
            words = str(stop.number)
            _clear(page, x, foot - 1.0, text_width(words, style), style.size)
            page.text(x, foot, words, style, "middle")


def _readable_rows(plan: ShootPlan, area: GridMap) -> tuple[PlannedRow, ...]:
    """Every row, or every second, third ... where they stand too close for letters."""
    every = max(1, math.ceil(_TILT.size * 1.15 / _spacing(plan, area)[1]))
    return plan.rows[::every]


def _tilts(page: Page, plan: ShootPlan, area: GridMap, x: float) -> None:
    for row in _readable_rows(plan, area):
        y = area.at(0.0, row.pitch)[1] - _TILT.size * 0.36
        page.text(x, y, degree_sign(row.pitch, signed=True), _TILT, "right")


def _axis(page: Page, plan: ShootPlan, area: GridMap, bottom: float) -> None:
    """Bearings, or degrees from the view's middle, under the view's edges and its middle."""
    view, style = plan.view, Style(8.0, ink=QUIET)
    names = []
    for yaw, name in ((view.yaw_left, "left edge"), (view.yaw, "middle"), (view.yaw_right, "right edge")):
        bearing = view.bearing(yaw)
        names.append(name if bearing is None else f"bearing {round(math.degrees(bearing)) % 360:03d}°")
    widths = [text_width(name, style) for name in names]
    ends = area.at(area.left, 0.0)[0], area.at(area.right, 0.0)[0]
    xs = [
        min(max(area.at(yaw, 0.0)[0], ends[0] + wide / 2.0), ends[1] - wide / 2.0)
        for yaw, wide in zip((view.yaw_left, view.yaw, view.yaw_right), widths, strict=True)
    ]
    crowded = any(b - a < (v + w) / 2.0 + 8.0 for (a, v), (b, w) in pairwise(zip(xs, widths, strict=True)))
    for k in (1,) if crowded else (0, 1, 2):
        page.text(xs[k], bottom - 11.0, names[k], style, "middle")


def turn_words(stop: Stop, first: Stop) -> str:
    """Turn of a stop from the first, in clicks of the head or in degrees."""
    return degree_sign(stop.yaw - first.yaw)


def degree_sign(angle: float, digits: int = 1, *, signed: bool = False) -> str:
    """Degrees for print, with a true sign: "+12.8°", "–12.8°", "0°"."""
    shown = round(math.degrees(angle), digits) + 0.0
    if shown == 0.0:
        return "0°"
    sign = "–" if shown < 0.0 else "+" if signed else ""
    text = f"{abs(shown):.{digits}f}"
    return sign + (text.rstrip("0").rstrip(".") if "." in text else text) + "°"
