"""A shoot plan: rows of stops that cover a view, and the picture they give."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from belvedere.geometry.plate import Projection
from belvedere.optics.sensor import Sensor
from belvedere.plan.head import Head
from belvedere.plan.stops import Begin, Order, Stop
from belvedere.plan.view import View

Orientation = Literal["portrait", "landscape"]
ORIENTATIONS: tuple[Orientation, ...] = ("portrait", "landscape")


@dataclass(frozen=True, slots=True)
class PlannedRow:
    """A row of stops at one pitch.

    Parameters
    ----------
    pitch : float
        Rad.
    step : float
        Yaw from stop to stop, rad; 0 where there is one stop only.
    closing_step : float or None
        Of a full turn, the yaw from the last stop on to the first: `step`, or less where the head's clicks
        do not divide the turn; None where the row does not go all round.
    stops : tuple of Stop
        From left to right.
    overlap : float or None
        Share of a frame's area that its neighbour in the row sees too; None where there is one stop only.
    overlap_least : float or None
        The same along the frame's edge where neighbours share least (the edge nearer to the level), as a
        share of its width.
    overlap_below : float or None
        Least share of a frame's area, of this row or the next one below, that the other row sees too; of a
        frame that stands out of the view's width, the part within. None for the last row.
    overlap_below_least : float or None
        The same along the frame's column where it is least, as a share of its height.
    """

    pitch: float
    step: float
    closing_step: float | None
    stops: tuple[Stop, ...]
    overlap: float | None
    overlap_least: float | None
    overlap_below: float | None
    overlap_below_least: float | None


@dataclass(frozen=True, slots=True)
class ShootPlan:
    """Where to stop the head so that the frames cover a view.

    Parameters
    ----------
    view : View
    sensor : Sensor
    orientation : "portrait" or "landscape"
    focal_mm : float
        Of the lens, > 0.
    overlap_wanted : float
        Share of a frame's area that neighbours were to share, 0 to below 0.9.
    head : Head
    order : "serpentine" or "rows"
        Every other row from right to left, or all from left to right.
    begin : "top" or "bottom"
        Which row is shot first.
    extra_column_and_row : bool
        Whether each row has a frame, and the plan a row, more than it needs.
    rows : tuple of PlannedRow
        From the top.
    projection : str
        The one that `stitch` would choose for the view.
    width_px, height_px : int
        The view on the plate, at the lens's own resolution on the axis (`focal_px` px per radian).
    """

    view: View
    sensor: Sensor
    orientation: Orientation
    focal_mm: float
    overlap_wanted: float
    head: Head
    order: Order
    begin: Begin
    extra_column_and_row: bool
    rows: tuple[PlannedRow, ...]
    projection: Projection
    width_px: int
    height_px: int

    @property
    def focal_px(self) -> float:
        """Focal length in px, which is the picture's px per radian."""
        return self.sensor.focal_px(self.focal_mm)

    @property
    def frame_px(self) -> tuple[int, int]:
        """Width and height of a frame as the camera is held, px."""
        size = self.sensor.upright() if self.orientation == "portrait" else self.sensor.landscape()
        return size[2], size[3]

    @property
    def frames(self) -> int:
        """How many frames."""
        return sum(len(row.stops) for row in self.rows)

    @property
    def megapixels(self) -> float:
        """Millions of pixels of the picture."""
        return self.width_px * self.height_px / 1e6

    @property
    def pixels_per_degree(self) -> float:
        """Pixels of the picture per degree at its middle."""
        return math.radians(self.focal_px)

    def stops(self) -> tuple[Stop, ...]:
        """All stops in shooting order."""
        return tuple(sorted((s for row in self.rows for s in row.stops), key=lambda s: s.number))
