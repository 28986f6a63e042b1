"""Rows at given pitches: whether they cover a view with the overlap asked for, and with how many frames."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from belvedere.plan.columns import TOUCH, Columns, clicked_step, lay_columns, widest_step
from belvedere.plan.head import Head
from belvedere.plan.joint_of_rows import Joint, RowOfFrames, joint_of
from belvedere.plan.view import View
from belvedere.plan.window import Band, Window, covered_band

_COUNTED_TO = 6e-4  # what a share of area between rows is right to
_EXACT = 1e-9


@dataclass(frozen=True, slots=True)
class Asked:
    """What rows are to do.

    Parameters
    ----------
    window : Window
    view : View
    overlap : float
        Share of a frame's area to have in common with its neighbours.
    head : Head
    extra : int
        Columns more than are needed.
    narrowed : float
        Steps are at most this share of what the overlap allows: narrower steps cover higher bands.
    to_sides : bool
        See `lay_columns`.
    """

    window: Window
    view: View
    overlap: float
    head: Head
    extra: int = 0
    narrowed: float = 1.0
    to_sides: bool = False

    @property
    def step_overlap(self) -> float:
        """Overlap in the row that narrowed steps give on a flat scene."""
        return 1.0 - (1.0 - self.overlap) * self.narrowed

    @property
    def rows_overlap(self) -> float:
        """Share that rows must have in common as it is counted."""
        return max(self.overlap, TOUCH) + _COUNTED_TO


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows that do what was asked, from the top: pitches (rad), columns, and what neighbouring rows share."""

    pitches: tuple[float, ...]
    columns: tuple[Columns, ...]
    joints: tuple[Joint, ...]

    @property
    def frames(self) -> int:
        """How many frames."""
        return sum(len(c.yaws) for c in self.columns)


def step_at(asked: Asked, pitch: float) -> float:
    """The widest step of a row, rounded down to the head's clicks, rad; 0 for none."""
    step = widest_step(asked.window, abs(pitch), asked.step_overlap)
    return clicked_step(step, asked.head.yaw_click)


def band_at(asked: Asked, pitch: float) -> Band | None:
    """Elevations that a row with the widest step covers without a gap; at a pole, one frame all round."""
    if math.pi / 2 - abs(pitch) < _EXACT:
        return covered_band(asked.window, pitch, math.pi)
    half = asked.view.wide / 2.0  # one frame may do for a narrow view
    step = step_at(asked, pitch)
    return covered_band(asked.window, pitch, min(half, step / 2.0 if step > 0.0 else half))


def lay_rows(asked: Asked, pitches: tuple[float, ...]) -> Rows | None:
    """Rows at these pitches (rad, from the top); None where they leave gaps or share too little."""
    if any(a - b < _EXACT for a, b in pairwise(pitches)):
        return None
    bands = _bands_between(asked, pitches)
    if bands is None:
        return None
    laid: dict[int, Columns] = {}
    joints: dict[int, Joint] = {}
    # from the level outwards: there rows are longest, and the first to share too little
    for k in sorted(range(len(pitches)), key=lambda k: abs(pitches[k])):
        columns = _lay(asked, pitches[k], bands[k])
        if columns is None:
            return None
        laid[k] = columns
        for upper in (k - 1, k):
            if upper in laid and upper + 1 in laid:
                joint = _join(asked, pitches, laid, upper)
                if joint.share < asked.rows_overlap:
                    return None
                joints[upper] = joint
    count = len(pitches)
    return Rows(pitches, tuple(laid[k] for k in range(count)), tuple(joints[k] for k in range(count - 1)))


def _lay(asked: Asked, pitch: float, band: Band) -> Columns | None:
    return lay_columns(
        asked.window,
        pitch,
        band,
        asked.view,
        asked.step_overlap,
        asked.head.yaw_click,
        extra=asked.extra,
        to_sides=asked.to_sides,
    )


def _join(asked: Asked, pitches: tuple[float, ...], laid: dict[int, Columns], upper: int) -> Joint:
    rows = [
        RowOfFrames(pitches[k], laid[k].yaws, laid[k].closing_step is not None) for k in (upper, upper + 1)
    ]
    return joint_of(asked.window, rows[0], rows[1], (asked.view.yaw_left, asked.view.yaw_right))


def _bands_between(asked: Asked, pitches: tuple[float, ...]) -> tuple[Band, ...] | None:
    """The elevations that each row is to cover; None where two rows leave a gap even at their middles."""
    view, usual = asked.view, [band_at(asked, p) for p in pitches]
    borders = []
    for k, (p, q) in enumerate(pairwise(pitches)):
        above, below = usual[k], usual[k + 1]
        if above is None or below is None or above[0] > below[1]:
            above, below = covered_band(asked.window, p, 0.0), covered_band(asked.window, q, 0.0)
        if above is None or below is None or above[0] > below[1]:
            return None
        borders.append((above[0] + below[1]) / 2.0)
    top, bottom = view.pitch_high, view.pitch_low
    if borders and top <= borders[0]:
        top = usual[0][1] if usual[0] else borders[0]
    if borders and bottom >= borders[-1]:
        bottom = usual[-1][0] if usual[-1] else borders[-1]
    edges = [top, *borders, bottom]
    return tuple((low, high) for high, low in pairwise(edges))
