"""From a view, a sensor and a lens to the stops of the head."""

from __future__ import annotations

import math
from dataclasses import replace

from belvedere.errors import PlanError
from belvedere.optics.sensor import Sensor
from belvedere.plan.angles import kept_angle
from belvedere.plan.columns import Columns
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.picture_size import picture_size
from belvedere.plan.pitches import choose_rows, usual_spacing, with_extra_row
from belvedere.plan.rows import Asked, Rows
from belvedere.plan.shoot_plan import ORIENTATIONS, Orientation, PlannedRow, ShootPlan
from belvedere.plan.stops import BEGINS, ORDERS, Begin, Order, Stop
from belvedere.plan.view import View
from belvedere.plan.window import Window, overlap_in_row

MOST_OVERLAP = 0.9
"""From here on frames are all but the same."""
MOST_FRAMES = 2_000_000
"""More stops than this are taken for a slip of the pen: at one a second they take three weeks."""


def plan_grid(
    view: View,
    sensor: Sensor,
    focal_mm: float,
    grid: GridAsked | None = None,
) -> ShootPlan:
    """Plan the stops that cover a view.

    Every point of the view is in a frame; neighbours in a row, and each frame with the row above and below
    it, share at least the part of their area that is asked for. In each row the step is the largest that
    keeps both, so rows away from the level have fewer columns; a full turn closes with equal steps.

    Parameters
    ----------
    view : View
    sensor : Sensor
    focal_mm : float
        Of a rectilinear lens, mm, > 0.
    grid : GridAsked or None
        How it is to be laid and shot; None: as is usual.

    Raises
    ------
    PlanError
        If a number is out of its range, or the head's clicks are too wide; says what would do.
    """
    grid = GridAsked() if grid is None else grid
    for what, value, known in (
        ("orientation", grid.orientation, ORIENTATIONS),
        ("order", grid.order, ORDERS),
        ("row to begin with", grid.begin, BEGINS),
    ):
        if value not in known:
            raise PlanError(f"there is no {what} called {value!r}", f"there are {' and '.join(known)}")
    check_overlap(grid.overlap)
    window = frame_window(sensor, focal_mm, grid.orientation)
    view = view.kept()
    clicks = (grid.head.yaw_click, grid.head.pitch_click)
    head = Head(*(None if c is None else kept_angle(c) for c in clicks))
    asked = Asked(window, view, grid.overlap, head)
    _check_count(asked, focal_mm)
    rows = choose_rows(asked)
    if grid.extra_column_and_row:
        rows = with_extra_row(replace(asked, extra=1), rows)
    projection, width, height = picture_size(view, sensor.focal_px(focal_mm))
    return ShootPlan(
        view=view,
        sensor=sensor,
        orientation=grid.orientation,
        focal_mm=focal_mm,
        overlap_wanted=grid.overlap,
        head=head,
        order=grid.order,
        begin=grid.begin,
        extra_column_and_row=grid.extra_column_and_row,
        rows=_planned(window, rows, head, grid.order, grid.begin),
        projection=projection,
        width_px=width,
        height_px=height,
    )


def frame_window(sensor: Sensor, focal_mm: float, orientation: Orientation) -> Window:
    """The shape of a frame as the camera is held; raises PlanError where the focal length is not above 0."""
    focal_px = sensor.focal_px(focal_mm)
    size = sensor.upright() if orientation == "portrait" else sensor.landscape()
    return Window(size[2] / 2.0 / focal_px, size[3] / 2.0 / focal_px)


def check_overlap(overlap: float) -> None:
    """Raise PlanError where frames cannot share so much of their area; says what would do."""
    if not 0.0 <= overlap < MOST_OVERLAP:
        nearest = "a third is usual" if not math.isfinite(overlap) else "the least is 0, a third is usual"
        if overlap >= MOST_OVERLAP:
            nearest = f"the most that can be planned is just under {MOST_OVERLAP:.0%}, a third is usual"
        raise PlanError(f"frames cannot overlap by {overlap:.0%}", nearest)


def _check_count(asked: Asked, focal_mm: float) -> None:
    """Refuse what no head could shoot, before its stops fill the memory."""
    view, window = asked.view, asked.window
    solid = view.wide * (math.sin(view.pitch_high) - math.sin(view.pitch_low))
    across = 2.0 * window.half_wide * (1.0 - asked.overlap)
    count = solid / (across * usual_spacing(asked))
    count = max(count, view.tall / usual_spacing(asked))
    if count > MOST_FRAMES:
        most = focal_mm * math.sqrt(MOST_FRAMES / count)
        raise PlanError(
            f"this view would take about {count:.2g} frames with a lens of {focal_mm:g} mm",
            f"the longest lens that keeps under {MOST_FRAMES:,} frames is about {most:.3g} mm",
        )


def _planned(window: Window, rows: Rows, head: Head, order: Order, begin: Begin) -> tuple[PlannedRow, ...]:
    count = len(rows.pitches)
    shot = list(range(count)) if begin == "top" else list(range(count - 1, -1, -1))
    starts: dict[int, int] = {}
    number = 1
    for r in shot:
        starts[r] = number
        number += len(rows.columns[r].yaws)
    back = {r for k, r in enumerate(shot) if order == "serpentine" and k % 2 == 1}
    first = rows.columns[shot[0]]
    yaw_zero = 0 if first.clicks is None else int(first.clicks[0])
    pitch_zero = _pitch_clicks(rows.pitches[shot[0]], head)
    out = []
    for r, (pitch, columns) in enumerate(zip(rows.pitches, rows.columns, strict=True)):
        tilt = _pitch_clicks(pitch, head)
        kept = kept_angle(pitch)
        size = len(columns.yaws)
        stops = tuple(
            Stop(
                number=starts[r] + (size - 1 - c if r in back else c),
                row=r,
                column=c,
                yaw=kept_angle(yaw),
                pitch=kept,
                yaw_clicks=None if columns.clicks is None else int(columns.clicks[c]) - yaw_zero,
                pitch_clicks=None if tilt is None or pitch_zero is None else tilt - pitch_zero,
            )
            for c, yaw in enumerate(columns.yaws.tolist())
        )
        overlap, least = _in_row(window, pitch, columns)
        joint = rows.joints[r] if r < count - 1 else None
        out.append(
            PlannedRow(
                pitch=kept,
                step=kept_angle(columns.step),
                closing_step=None if columns.closing_step is None else kept_angle(columns.closing_step),
                stops=stops,
                overlap=overlap,
                overlap_least=least,
                overlap_below=None if joint is None else joint.share,
                overlap_below_least=None if joint is None else joint.least,
            )
        )
    return tuple(out)


def _pitch_clicks(pitch: float, head: Head) -> int | None:
    return None if head.pitch_click is None else round(pitch / head.pitch_click)


def _in_row(window: Window, pitch: float, columns: Columns) -> tuple[float | None, float | None]:
    """Share of a frame's area its neighbour sees, and of its width at the worst elevation it is needed at."""
    if len(columns.yaws) < 2:
        return None, None
    share = overlap_in_row(window, pitch, columns.step)
    return share, min(1.0, max(0.0, 1.0 - columns.step / (2.0 * columns.reach)))
