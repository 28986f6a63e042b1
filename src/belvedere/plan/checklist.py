"""What to do at the tripod, in the order it is done: common practice, no published source."""

from __future__ import annotations

import math

from belvedere.plan.number_words import distance_words, share_words, small_words
from belvedere.plan.told_plan import ToldPlan


def checklist(told: ToldPlan) -> tuple[str, ...]:
    """Short sentences to tick off, before, during and after the frames."""
    plan, figures, shooting = told.plan, told.figures, told.shooting
    held = "upright (portrait)" if plan.orientation == "portrait" else "lying (landscape)"
    rail = ""
    if figures.rail_allowed_mm is not None and shooting.nearest_m is not None:
        rail = f", within {small_words(figures.rail_allowed_mm)} for {distance_words(shooting.nearest_m)}"
    focus = figures.sharpness.focus_m
    where = "at infinity" if math.isinf(focus) else f"at {distance_words(focus)}"
    many = plan.frames > 1
    items = [
        "Base level, turning axis upright; tripod feet firm",
        f"Camera {held}" + (f"; entrance pupil over the axis{rail}" if many else ""),
        f"Exposure by hand, metered on the brightest part: f/{shooting.f_number:g}, one time, one ISO",
        "White balance fixed; raw files",
        f"Focus {where}, then lock: autofocus off",
        "Stabiliser off on the tripod; cable release or self-timer",
    ]
    if shooting.exposures > 1:
        items.append(f"Bracket: {shooting.exposures} exposures at each stop, steps the same everywhere")
    if many:
        items.append("Room on the card; a marker frame (a hand) before stop 1")
        if len(plan.rows[0].stops) > 1 or len(plan.rows) > 1:
            items.append("Stops 1 and 2 looked at: the overlap is there")
        little = figures.too_little_overlap
        if little is not None:
            items.append(
                f"At an edge frames share as little as {share_words(little)} of a side: set the stops with "
                "care, or plan with more overlap"
            )
        items.append(
            "The extra column and row are counted in: shoot them all"
            if plan.extra_column_and_row
            else "For safety a column and a row more, if light and card allow"
        )
    else:
        items.append("Room on the card")
    items.append("A marker frame after the last stop; the set checked before the tripod is folded")
    return tuple(items)
