"""How a grid of frames is to be laid and shot, whatever the view and the lens."""

from __future__ import annotations

from dataclasses import dataclass, field

from belvedere.plan.head import Head
from belvedere.plan.shoot_plan import Orientation
from belvedere.plan.stops import Begin, Order

USUAL_OVERLAP = 1.0 / 3.0
"""Common practice, no published source."""


@dataclass(frozen=True, slots=True)
class GridAsked:
    """What is asked of a grid; `plan_grid` refuses what cannot be.

    Parameters
    ----------
    orientation : "portrait" or "landscape"
        How the camera is held.
    overlap : float
        Share of a frame's area that neighbours have in common, 0 to below 0.9.
    head : Head
        Its clicks, to which steps are rounded down; without any it stops anywhere.
    order : "serpentine" or "rows"
        Every other row from right to left, or all from left to right.
    begin : "top" or "bottom"
        Which row is shot first.
    extra_column_and_row : bool
        A column more in rows that do not go all round, and a row more, for safety; the grid stays about the
        view's middle.
    """

    orientation: Orientation = "portrait"
    overlap: float = USUAL_OVERLAP
    head: Head = field(default_factory=Head)
    order: Order = "serpentine"
    begin: Begin = "top"
    extra_column_and_row: bool = False
