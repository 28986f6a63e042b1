"""The columns of one row: the widest step that keeps the overlap, and where each frame looks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.head import clicks_to, clicks_within
from belvedere.plan.view import FULL_TURN, View
from belvedere.plan.window import Band, Window, overlap_in_row, row_reach

TOUCH = 1e-3
"""Least share that frames must have in common, where no overlap is asked for: they must at least meet."""
_EXACT = 1e-9
_DEAREST_EQUAL = 1.15  # how many more frames equal steps may cost, where clicks do not divide the turn


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the frames of a row look.

    Parameters
    ----------
    step : float
        Yaw from one to the next, rad; 0 for one frame.
    closing_step : float or None
        From the last to the first of a full turn; None if the row is none.
    yaws : ndarray of shape (n,)
        From left to right, rad.
    clicks : ndarray of shape (n,) or None
        The same in clicks of the head from the view's middle.
    reach : float
        Yaw to either side of a frame up to which it covers the row's band of elevations, rad.
    """

    step: float
    closing_step: float | None
    yaws: NDArray[np.float64]
    clicks: NDArray[np.int64] | None
    reach: float


@lru_cache(maxsize=16384)
def widest_step(window: Window, steepness: float, overlap: float) -> float:
    """Largest yaw step (rad, up to pi) at which, and below which, neighbours share `overlap` of their area.

    Parameters
    ----------
    window : Window
    steepness : float
        Pitch of the row, up or down, rad, >= 0.
    overlap : float
        0 to below 1; at least `TOUCH` is kept.
    """
    wanted = max(overlap, TOUCH)

    def spare(step: float) -> float:
        return overlap_in_row(window, steepness, step) - wanted

    stride = min(0.2, (1.0 - wanted) * window.half_wide / max(math.cos(steepness), 1e-3))
    inside, outside = 0.0, stride
    while outside < math.pi and spare(outside) >= 0.0:
        inside, outside = outside, outside + stride
    if outside >= math.pi:
        if spare(math.pi) >= 0.0:
            return math.pi
        outside = math.pi
    return _last_at_least_zero(spare, inside, outside)


def _last_at_least_zero(f: Callable[[float], float], inside: float, outside: float) -> float:
    """Where f falls below 0, from the side where it has not: false position, halving the value of an end that
    stays (the Illinois method: M. Dowell, P. Jarratt, BIT 11 (1971), 168-174).
    """
    f_in, f_out, stayed = f(inside), f(outside), 0
    for _ in range(100):
        if outside - inside <= 1e-9 * outside or f_in <= 1e-13:
            break
        middle = inside + (outside - inside) * min(0.999, max(1e-3, f_in / (f_in - f_out)))
        f_mid = f(middle)
        if f_mid >= 0.0:
            inside, f_in = middle, f_mid
            f_out, stayed = (f_out / 2.0 if stayed == 1 else f_out), 1
        else:
            outside, f_out = middle, f_mid
            f_in, stayed = (f_in / 2.0 if stayed == -1 else f_in), -1
    return inside


def clicked_step(step: float, click: float | None) -> float:
    """A step (rad) rounded down to whole clicks of the head; 0 where one click is already wider."""
    return step if click is None else clicks_within(step, click) * click


def lay_columns(
    window: Window,
    pitch: float,
    band: Band,
    view: View,
    overlap: float,
    click: float | None,
    *,
    extra: int = 0,
    to_sides: bool = False,
) -> Columns | None:
    """Lay the frames of a row over the width of a view.

    Parameters
    ----------
    window : Window
    pitch : float
        Of the row, rad.
    band : tuple of 2 float
        Elevations that the row is to cover without a gap, rad.
    view : View
    overlap : float
        Share of their area that neighbours are to have in common.
    click : float or None
        The head's, rad.
    extra : int
        Frames more than it needs, where the row does not go all round.
    to_sides : bool
        Whether the outermost frames stand within half a step of the view's sides, so that neighbouring rows
        end alike, even where fewer frames would cover the band.

    Returns
    -------
    Columns or None
        None where a frame at this pitch does not cover the band in its own middle, or only just, and where
        one click of the head is wider than the step may be.
    """
    reach = row_reach(window, pitch, band)
    if reach <= 0.0:
        return None
    widest = widest_step(window, abs(pitch), overlap)
    if to_sides and not view.full_turn:
        reach = min(reach, widest / 2.0)
    if reach >= math.pi if view.full_turn else extra == 0 and reach >= view.wide / 2.0 - _EXACT:
        return _one(view, click, reach)
    step = clicked_step(min(widest, 2.0 * reach), click)
    if step <= 0.0:
        return None
    all_round = math.ceil(FULL_TURN / step - _EXACT)
    if not view.full_turn:
        count = max(0, math.ceil((view.wide / 2.0 - reach) / (step / 2.0) - _EXACT)) + 1 + extra
        if count < all_round:
            return _across(view, step, count, click, reach, all_round)
    return _closed(view, step, click, reach)


def _one(view: View, click: float | None, reach: float) -> Columns:
    clicks = None if click is None else np.zeros(1, dtype=np.int64)
    return Columns(0.0, None, np.array([view.yaw]), clicks, reach)


def _across(
    view: View, step: float, count: int, click: float | None, reach: float, all_round: int
) -> Columns | None:
    """A row from side to side of the view, about its middle."""
    if click is None:
        yaws = view.yaw + (np.arange(count, dtype=np.float64) - (count - 1) / 2.0) * step
        return Columns(step if count > 1 else 0.0, None, yaws, None, reach)
    each = round(step / click)
    half = view.wide / 2.0
    while True:
        # clicks from the view's middle of the first frame: both sides must be reached
        latest = clicks_within(reach - half, click)
        earliest = clicks_to(half - reach, click) - (count - 1) * each
        if earliest <= latest:
            break
        count += 1
        if count >= all_round:
            return _closed(view, step, click, reach)
    first = min(max(-((count - 1) * each + 1) // 2, earliest), latest)
    clicks = first + each * np.arange(count)
    return Columns(
        step if count > 1 else 0.0, None, view.yaw + clicks.astype(np.float64) * click, clicks, reach
    )


def _closed(view: View, step: float, click: float | None, reach: float) -> Columns:
    """A row that goes all round and closes with equal steps; with clicks, or else a shorter last step."""
    if click is None:
        count = math.ceil(FULL_TURN / step - _EXACT)
        step = FULL_TURN / count
        start = view.yaw - math.pi + step / 2.0
        return Columns(step, step, start + step * np.arange(count, dtype=np.float64), None, reach)
    each = _equal_clicks(round(step / click), FULL_TURN / click)
    count = math.ceil(FULL_TURN / (each * click) - _EXACT)
    first = -(((count - 1) * each + 1) // 2)
    clicks = first + each * np.arange(count)
    closing = FULL_TURN - (count - 1) * each * click
    return Columns(each * click, closing, view.yaw + clicks.astype(np.float64) * click, clicks, reach)


def _equal_clicks(most: int, turn: float) -> int:
    """Clicks from stop to stop of a full turn of `turn` clicks: equal steps if that costs few more frames.

    Else the fewest clicks that need no more frames than `most` do: the last step is then the least short.
    """
    count = math.ceil(turn / most - _EXACT)
    whole = round(turn)
    if abs(turn - whole) < _EXACT * turn:
        for each in range(most, 0, -1):
            if whole % each == 0:
                if whole // each <= max(count + 1, _DEAREST_EQUAL * count):
                    return each
                break
    return min(most, math.ceil(turn / count - _EXACT))
