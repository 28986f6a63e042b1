"""The answer of a plan: what to shoot, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from belvedere.plan.figures import Figures
from belvedere.plan.number_words import (
    Units,
    count_words,
    degrees_words,
    focal_words,
    list_words,
    megapixels_words,
    pixels_words,
    print_words,
)
from belvedere.plan.shoot_plan import PlannedRow, ShootPlan
from belvedere.plan.sweep import duration_words

_HELD = {"portrait": "upright", "landscape": "lying"}


def headline(plan: ShootPlan) -> str:
    """What to shoot, in one sentence."""
    text = f"{count_words(plan.frames, 'frame')} with a lens of {focal_words(plan.focal_mm)}"
    text += f", camera {_HELD[plan.orientation]}"
    return f"{text}: {rows_words(plan.rows)}." if plan.frames > 1 else f"{text}."


def answer_lines(plan: ShootPlan, figures: Figures, units: Units = "metric") -> tuple[tuple[str, str], ...]:
    """What comes of it: pairs of a name and what there is to say."""
    view = f"{view_words(plan)}"
    if plan.frames > 1:
        view += f", frames overlapping by {overlap_words(plan.overlap_wanted)} or more"
    pixels = pixels_words(plan.width_px, plan.height_px)
    return (
        ("view", view),
        ("picture", f"{pixels} pixels, {megapixels_words(plan.megapixels)}"),
        ("print", f"{print_words(figures.print, units)} at {figures.print.ppi:.0f} pixels per inch"),
        ("time", f"about {duration_words(figures.sweep.duration_s)} to shoot"),
    )


def view_words(plan: ShootPlan) -> str:
    """The view's width and height: "100 x 40 degrees", "all round, 60 degrees up and down"; and where."""
    view = plan.view
    tall = degrees_words(view.tall, 0)
    if view.full_turn:
        return f"all round, {tall} degrees up and down"
    text = f"{degrees_words(view.wide, 0)} x {tall} degrees"
    left, right = view.bearing(view.yaw_left), view.bearing(view.yaw_right)
    if left is not None and right is not None:
        text += f", from bearing {bearing_words(left)} to {bearing_words(right)}"
    return text


def bearing_words(bearing: float) -> str:
    """A compass bearing in whole degrees, three digits: "007"."""
    return f"{round(math.degrees(bearing)) % 360:03d}"


def rows_words(rows: Sequence[PlannedRow]) -> str:
    """Rows and their columns: "one row", "2 rows of 5", "3 rows of 13, 14 and 13 frames"."""
    counts = [len(row.stops) for row in rows]
    if len(rows) == 1:
        return "one row"
    if len(set(counts)) == 1:
        return f"{len(rows)} rows of {counts[0]}"
    if len(rows) <= 7:
        return f"{len(rows)} rows of {list_words([str(c) for c in counts])}, from the top"
    return f"{len(rows)} rows of {min(counts)} to {max(counts)}"


def overlap_words(overlap: float) -> str:
    """An overlap as it is asked for: "a third", "40 %"."""
    return "a third" if abs(overlap - 1.0 / 3.0) < 1e-3 else f"{overlap * 100.0:.3g} %"
