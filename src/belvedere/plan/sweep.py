"""How long the sweep takes, and how much later each frame is taken than its neighbours."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.errors import PlanError
from belvedere.plan.stops import Stop

Markers = Literal["none", "series", "rows"]


@dataclass(frozen=True, slots=True)
class Sweep:
    """The clock of one pass over all stops, in shooting order.

    Parameters
    ----------
    starts_s : tuple of float
        When each stop's first exposure is due, seconds from the first one's.
    seconds_a_stop : float
        From a stop's start until the head may turn.
    duration_s : float
        From the first stop's start to the end of the last exposure, marker frame included.
    neighbour_s : float
        Between a frame and its neighbour in the row, seconds; 0 where every row has one frame.
    between_rows_s : float
        Longest time between a frame and the one above or below it, seconds; 0 with one row.
    """

    starts_s: tuple[float, ...]
    seconds_a_stop: float
    duration_s: float
    neighbour_s: float
    between_rows_s: float


def plan_sweep(
    stops: Sequence[Stop],
    *,
    seconds_a_frame: float,
    exposures: int = 1,
    seconds_to_turn: float = 0.0,
    seconds_to_next_row: float | None = None,
    markers: Markers = "none",
) -> Sweep:
    """Lay the stops out in time.

    Parameters
    ----------
    stops : sequence of Stop
        In shooting order, at least one.
    seconds_a_frame : float
        For one exposure: waiting until the tripod is still, exposing, writing; > 0.
    exposures : int
        Frames at each stop (a bracket), >= 1.
    seconds_to_turn : float
        To the next stop of a row; 0 where `seconds_a_frame` counts it already.
    seconds_to_next_row : float or None
        From the last stop of a row to the first of the next; None takes `seconds_to_turn`.
    markers : str
        Marker frames: none, one after the "series", or one after each of the "rows" (the last included). Each
        takes `seconds_a_frame` and the time to turn there.

    Raises
    ------
    PlanError
        If there is no stop, or a time is negative or not finite.
    """
    if len(stops) == 0:
        raise PlanError("a sweep needs at least one stop")
    if exposures < 1:
        raise PlanError(f"each stop takes at least one exposure, got {exposures}", "give 1 or more")
    next_row = seconds_to_turn if seconds_to_next_row is None else seconds_to_next_row
    _check_seconds(seconds_a_frame, "a frame", positive=True)
    _check_seconds(seconds_to_turn, "a turn to the next stop")
    _check_seconds(next_row, "a turn to the next row")

    rows = [stop.row for stop in stops]
    a_stop = seconds_a_frame * exposures
    marker = seconds_a_frame + seconds_to_turn
    starts = [0.0]
    for before, row in pairwise(rows):
        gap = seconds_to_turn if row == before else next_row + (marker if markers == "rows" else 0.0)
        starts.append(starts[-1] + a_stop + gap)
    end = starts[-1] + a_stop + (0.0 if markers == "none" else marker)
    one_row = any(a == b for a, b in pairwise(rows))
    return Sweep(
        tuple(starts),
        a_stop,
        end,
        a_stop + seconds_to_turn if one_row else 0.0,
        _between_rows(np.array(rows), np.array([stop.yaw for stop in stops]), np.array(starts)),
    )


def duration_words(seconds: float) -> str:
    """Say a duration as a person does: "45 s", "2 min 05 s", "12 min", "1 h 05 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def _between_rows(rows: NDArray[np.int64], yaws: NDArray[np.float64], starts: NDArray[np.float64]) -> float:
    """Longest time between a stop and the stop nearest in yaw of the row below it, seconds."""
    longest = 0.0
    numbers = sorted(set(rows.tolist()))
    for above, below in pairwise(numbers):
        a, b = np.flatnonzero(rows == above), np.flatnonzero(rows == below)
        apart = np.abs(np.remainder(yaws[a][:, None] - yaws[b][None, :] + np.pi, 2 * np.pi) - np.pi)
        nearest = b[np.argmin(apart, axis=1)]
        longest = max(longest, float(np.max(np.abs(starts[a] - starts[nearest]))))
    return longest


def _check_seconds(value: float, of: str, *, positive: bool = False) -> None:
    if not (math.isfinite(value) and (value > 0.0 if positive else value >= 0.0)):
        least = "more than 0" if positive else "0 or more"
        raise PlanError(f"{of} takes {least} seconds, got {value:g}", "give seconds as a plain number")
