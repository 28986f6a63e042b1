"""A print wider than the roll, cut into panels that overlap, with marks where to cut and fold."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from belvedere.deliver.paper_size import PrintLayout, Rect
from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH

MARK_MM = 5.0
"""Length of a trim mark (common practice, no published source)."""

GAP_MM = 2.0
"""Bare paper between the printed picture and a mark, so that no mark is left on the cut print."""

_LINE_POINTS = 0.25
"""Width of a mark's line in points, the hairline of the trade (common practice, no published source)."""

_MOST_PANELS = 200


@dataclass(frozen=True, slots=True)
class Panel:
    """One sheet of a print.

    Parameters
    ----------
    index, count : int
        Its place from the left, from 0, of how many.
    trim : Rect
        What is left of it when it is cut, on the print's grid; the trims of all panels tile the print's trim.
    image : Rect
        What is printed: the trim, half the overlap beyond every join, the bleed beyond the print's edge.
    page : Rect
        The sheet: the image, and around it room for the marks.
    marks : tuple of Rect
        Lines to print black, on the print's grid too; outside the image, within the page.
    """

    index: int
    count: int
    trim: Rect
    image: Rect
    page: Rect
    marks: tuple[Rect, ...]


def cut_into_panels(
    layout: PrintLayout, *, roll_mm: float | None = None, overlap_mm: float = 0.0, marks: bool = True
) -> tuple[Panel, ...]:
    """Upright panels of equal width, as few as the roll allows.

    Parameters
    ----------
    layout : PrintLayout
        The print.
    roll_mm : float or None
        Width the printer can print on; None: any. A print that is low enough is printed along the roll in
        one piece.
    overlap_mm : float
        Picture that two neighbours both show; the join lies in its middle. Rounded to an even number of px.
    marks : bool
        Whether to leave room for trim marks and draw them.

    Raises
    ------
    PlanError
        If the roll has no room for overlap and marks, or a panel would be all overlap.
    """
    px = layout.ppi / MM_PER_INCH
    if not (math.isfinite(overlap_mm) and overlap_mm >= 0.0):
        raise PlanError(f"the overlap must be 0 mm or more, not {overlap_mm:g} mm")
    slug = _slug(layout.ppi) if marks else 0
    half = round(overlap_mm * px / 2.0)
    trim = layout.trim
    joins = [trim.x0, trim.x1]
    if roll_mm is not None:
        most = math.floor(need_positive("the roll's width", roll_mm, "mm") * px + 1e-6) - 2 * slug
        if most < min(layout.width, layout.height):
            joins = _joins(layout, most, half, roll_mm)
    count = len(joins) - 1
    panels = []
    for k in range(count):
        part = Rect(joins[k], trim.y0, joins[k + 1], trim.y1)
        image = Rect(
            0 if k == 0 else part.x0 - half,
            0,
            layout.width if k == count - 1 else part.x1 + half,
            layout.height,
        )
        lines = _marks(layout, part, image) if marks else ()
        panels.append(Panel(k, count, part, image, image.grown(slug), lines))
    return tuple(panels)


def _slug(ppi: float) -> int:
    return math.ceil((GAP_MM + MARK_MM) / MM_PER_INCH * ppi)


def _joins(layout: PrintLayout, most: int, half: int, roll_mm: float) -> list[int]:
    """Columns where trimmed panels meet, both edges included, for images up to `most` px wide."""
    trim, bleed = layout.trim, layout.trim.x0
    room = most - half - max(half, bleed)
    if room < 1:
        raise PlanError(
            f"a roll of {roll_mm:g} mm leaves no room between the overlaps, the bleed and the marks",
            "take a wider roll or a smaller overlap",
        )
    count = max(2, -(-trim.width // room))
    if count > _MOST_PANELS:
        raise PlanError(
            f"a roll of {roll_mm:g} mm would take {count} panels, more than {_MOST_PANELS}",
            "take a wider roll, a smaller overlap or a smaller print",
        )
    joins = [trim.x0 + k * trim.width // count for k in range(count + 1)]
    if min(b - a for a, b in pairwise(joins)) < half:
        raise PlanError("the overlap is wider than what is left of a panel", "take a smaller overlap")
    return joins


def _marks(layout: PrintLayout, trim: Rect, image: Rect) -> tuple[Rect, ...]:
    """Two lines at each corner of the trim, and half as long ones where the print is folded."""
    line = max(1, round(layout.ppi * _LINE_POINTS / 72.0))
    gap, length = (round(mm / MM_PER_INCH * layout.ppi) for mm in (GAP_MM, MARK_MM))
    columns = [(trim.x0, length), (trim.x1, length)]
    rows = [(trim.y0, length), (trim.y1, length)]
    front = layout.front
    if front != layout.trim:
        columns += [(x, length // 2) for x in (front.x0, front.x1) if image.x0 < x < image.x1]
        rows += [(front.y0, length // 2), (front.y1, length // 2)]
    lines = []
    for x, long in columns:
        left = x - line // 2  # the cut runs along the line's middle
        lines.append(Rect(left, image.y0 - gap - long, left + line, image.y0 - gap))
        lines.append(Rect(left, image.y1 + gap, left + line, image.y1 + gap + long))
    for y, long in rows:
        top = y - line // 2
        lines.append(Rect(image.x0 - gap - long, top, image.x0 - gap, top + line))
        lines.append(Rect(image.x1 + gap, top, image.x1 + gap + long, top + line))
    return tuple(lines)
