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
    """

    window: Window
    view: View
    overlap: float
    head: Head
    extra: int = 0
    narrowed: float = 1.0

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
    """The widest step of a row, rounded down to the head's clicks, rad."""
    step = widest_step(asked.window, abs(pitch), asked.step_overlap)
    return clicked_step(step, asked.head.yaw_click)


def band_at(asked: Asked, pitch: float) -> Band | None:
    """Elevations that a row with the widest step covers without a gap; at a pole, one frame all round."""
    pole = math.pi / 2 - abs(pitch) < _EXACT
    return covered_band(asked.window, pitch, math.pi if pole else step_at(asked, pitch) / 2.0)


def lay_rows(asked: Asked, pitches: tuple[float, ...]) -> Rows | None:
    """Rows at these pitches (rad, from the top); None where they leave gaps or share too little."""
    if any(a - b < _EXACT for a, b in pairwise(pitches)):
        return None
    bands = _bands_between(asked, pitches)
    if bands is None:
        return None
    columns: list[Columns] = []
    for pitch, band in zip(pitches, bands, strict=True):
        laid = lay_columns(
            asked.window, pitch, band, asked.view, asked.step_overlap, asked.head.yaw_click, asked.extra
        )
        if laid is None:
            return None
        columns.append(laid)
    rows = [RowOfFrames(p, c.yaws, c.closing_step is not None) for p, c in zip(pitches, columns, strict=True)]
    joints = []
    for upper, lower in pairwise(rows):
        joint = joint_of(asked.window, upper, lower, (asked.view.yaw_left, asked.view.yaw_right))
        if joint.share < asked.rows_overlap:
            return None
        joints.append(joint)
    return Rows(pitches, tuple(columns), tuple(joints))


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
