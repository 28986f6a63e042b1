"""How high a view a single row covers, for whoever asks for a width alone."""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.sensor import Sensor
from belvedere.plan.columns import clicked_step, widest_step
from belvedere.plan.head import Head
from belvedere.plan.plan_grid import check_overlap, frame_window
from belvedere.plan.shoot_plan import Orientation
from belvedere.plan.window import Band, covered_band

_WITHIN = 1e-6  # rad: kept off the edge of what is covered, so that rounding asks for no second row


def one_row_band(
    sensor: Sensor,
    focal_mm: float,
    *,
    orientation: Orientation = "portrait",
    overlap: float = 1.0 / 3.0,
    head: Head | None = None,
    pitch: float = 0.0,
) -> Band:
    """Lowest and highest pitch (rad) that one row of frames covers at any width.

    At those edges, where neighbours share least, they still share half the overlap asked for.

    Parameters
    ----------
    sensor, focal_mm, orientation, overlap, head
        As in `plan_grid`.
    pitch : float
        Of the row, rad; a head's tilting clicks are not looked at.

    Raises
    ------
    PlanError
        If the focal length is not above 0, the overlap is not within 0 to
        below 0.9, or the head's clicks are too wide for it.
    """
    check_overlap(overlap)
    window = frame_window(sensor, focal_mm, orientation)
    widest = widest_step(window, abs(pitch), overlap)
    step = clicked_step(widest, None if head is None else head.yaw_click)
    if step <= 0.0 and head is not None and head.yaw_click is not None:
        fits = math.floor(math.degrees(widest) * 100.0) / 100.0
        raise PlanError(
            f"clicks of {math.degrees(head.yaw_click):g} degrees for turning are too wide for this lens and "
            "overlap",
            f"about {fits:g} degrees would do, or a head that stops anywhere",
        )
    reach = step / 2.0 / (1.0 - overlap / 2.0)
    band = covered_band(window, pitch, reach) if step > 0.0 else None
    if band is None or band[1] - band[0] <= 4.0 * _WITHIN:
        raise PlanError("one row with this overlap covers no view without gaps", "give the view's height")
    return band[0] + _WITHIN, band[1] - _WITHIN
