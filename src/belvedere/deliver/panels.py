"""A print too large for the roll, cut into panels that overlap, with marks where to cut and fold."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from belvedere.deliver.panel_label import label_words, panel_label
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
        Its place, row by row from the top left, from 0, of how many.
    row, rows : int
        Its row from the top, from 0, of how many.
    trim : Rect
        What is left of it when it is cut, on the print's grid; the trims of all panels tile the print's trim.
    image : Rect
        What is printed: the trim, half the overlap beyond every join, the bleed beyond the print's edge.
    page : Rect
        The sheet: the image, and around it room for the marks.
    marks : tuple of Rect
        Lines to print black, and dots of the panel's label, on the print's grid too; outside the image,
        within the page.
    """

    index: int
    count: int
    row: int
    rows: int
    trim: Rect
    image: Rect
    page: Rect
    marks: tuple[Rect, ...]


def cut_into_panels(
    layout: PrintLayout,
    *,
    roll_mm: float | None = None,
    longest_mm: float | None = None,
    overlap_mm: float = 0.0,
    marks: bool = True,
) -> tuple[Panel, ...]:
    """Panels of equal size, upright and as few as the printer allows.

    Parameters
    ----------
    layout : PrintLayout
        The print.
    roll_mm : float or None
        Width the printer can print on; None: any. A print that is low enough lies along the roll.
    longest_mm : float or None
        Longest piece along the roll; None: any. What is longer is cut across it too.
    overlap_mm : float
        Picture that two neighbours both show; the join lies in its middle. Rounded to an even number of px.
    marks : bool
        Whether to leave room for trim marks and draw them, and to print beside a panel which one it is.

    Raises
    ------
    PlanError
        If the roll has no room for overlap and marks, or a panel would be all overlap.
    """
    px = layout.ppi / MM_PER_INCH
    if not (math.isfinite(overlap_mm) and overlap_mm >= 0.0):
        raise PlanError(f"the overlap must be 0 mm or more, not {overlap_mm:g} mm")
    if longest_mm is not None and roll_mm is None:
        raise PlanError("the longest piece is one of a roll", "give the roll's width too")
    slug = _slug(layout.ppi) if marks else 0
    half = round(overlap_mm * px / 2.0)
    columns, rows = [layout.trim.x0, layout.trim.x1], [layout.trim.y0, layout.trim.y1]
    if roll_mm is not None:
        roll = _Most("a roll", need_positive("the roll's width", roll_mm, "mm"), px, slug)
        longest = (
            _Most("a piece", need_positive("the longest piece", longest_mm, "mm"), px, slug)
            if longest_mm is not None
            else _Most("a piece", math.inf, px, slug)
        )
        lies = layout.height <= roll.px and (layout.width > roll.px or layout.height > longest.px)
        across, down = (longest, roll) if lies else (roll, longest)
        columns = _joins(columns[0], columns[1], across, half)
        rows = _joins(rows[0], rows[1], down, half)
    count = (len(columns) - 1) * (len(rows) - 1)
    if count > _MOST_PANELS:
        raise PlanError(
            f"the print would take {count} panels, more than {_MOST_PANELS}",
            "take a wider roll, a smaller overlap or a smaller print",
        )
    panels: list[Panel] = []
    for row, (top, bottom) in enumerate(pairwise(rows)):
        for left, right in pairwise(columns):
            part = Rect(left, top, right, bottom)
            image = Rect(
                0 if left == layout.trim.x0 else left - half,
                0 if top == layout.trim.y0 else top - half,
                layout.width if right == layout.trim.x1 else right + half,
                layout.height if bottom == layout.trim.y1 else bottom + half,
            )
            lines = _marks(layout, part, image) if marks else ()
            if marks and count > 1:
                words = label_words(len(panels), count, row, len(rows) - 1)
                lines += panel_label(words, _label_room(layout, part, image), layout.ppi)
            panels.append(
                Panel(len(panels), count, row, len(rows) - 1, part, image, image.grown(slug), lines)
            )
    return tuple(panels)


def _slug(ppi: float) -> int:
    return math.ceil((GAP_MM + MARK_MM) / MM_PER_INCH * ppi)


class _Most(NamedTuple):
    """What the printer allows along one axis: its word, mm, and so many px of image between the marks."""

    word: str
    mm: float
    per_mm: float
    slug: int

    @property
    def px(self) -> float:
        return math.inf if math.isinf(self.mm) else math.floor(self.mm * self.per_mm + 1e-6) - 2 * self.slug


def _joins(start: int, stop: int, most: _Most, half: int) -> list[int]:
    """Where trimmed panels meet along an axis, the trim's edges included; the grid begins at 0."""
    bleed = start
    if stop + bleed <= most.px:
        return [start, stop]
    room = int(most.px) - half - max(half, bleed)
    if room < 1:
        raise PlanError(
            f"{most.word} of {most.mm:g} mm leaves no room between the overlaps, the bleed and the marks",
            "take a larger one or a smaller overlap",
        )
    count = max(2, -(-(stop - start) // room))
    if count > _MOST_PANELS:
        raise PlanError(
            f"{most.word} of {most.mm:g} mm would take {count} panels, more than {_MOST_PANELS}",
            "take a larger one, a smaller overlap or a smaller print",
        )
    joins = [start + k * (stop - start) // count for k in range(count + 1)]
    if min(b - a for a, b in pairwise(joins)) < half:
        raise PlanError("the overlap is wider than what is left of a panel", "take a smaller overlap")
    return joins


def _label_room(layout: PrintLayout, trim: Rect, image: Rect) -> Rect:
    """Above the panel, as long as the marks, between the corners' and the folds' marks."""
    gap, length = (round(mm / MM_PER_INCH * layout.ppi) for mm in (GAP_MM, MARK_MM))
    x0, x1 = max(trim.x0, layout.front.x0), min(trim.x1, layout.front.x1)
    return Rect(x0 + gap, image.y0 - gap - length, max(x0 + gap, x1 - gap), image.y0 - gap)


def _marks(layout: PrintLayout, trim: Rect, image: Rect) -> tuple[Rect, ...]:
    """Two lines at each corner of the trim, and half as long ones where the print is folded."""
    line = max(1, round(layout.ppi * _LINE_POINTS / 72.0))
    gap, length = (round(mm / MM_PER_INCH * layout.ppi) for mm in (GAP_MM, MARK_MM))
    columns = [(trim.x0, length), (trim.x1, length)]
    rows = [(trim.y0, length), (trim.y1, length)]
    front = layout.front
    if front != layout.trim:
        columns += [(x, length // 2) for x in (front.x0, front.x1) if image.x0 < x < image.x1]
        rows += [(y, length // 2) for y in (front.y0, front.y1) if image.y0 < y < image.y1]
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
