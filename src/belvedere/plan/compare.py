"""Several lenses side by side for one view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

from belvedere.errors import PlanError
from belvedere.optics.sensor import Sensor
from belvedere.plan.figures import Figures, figures_of
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head_words import paragraph
from belvedere.plan.number_words import (
    Units,
    bytes_words,
    degrees_words,
    distance_words,
    focal_words,
    print_words,
    share_words,
    small_words,
)
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.shooting import Shooting
from belvedere.plan.view import View


@dataclass(frozen=True, slots=True)
class LensTried:
    """What one lens makes of the view: a plan with its figures, or why there is none."""

    focal_mm: float
    plan: ShootPlan | None
    figures: Figures | None
    why: str | None


def compare_lenses(
    view: View,
    sensor: Sensor,
    focal_mm: Sequence[float],
    shooting: Shooting,
    grid: GridAsked | None = None,
) -> tuple[LensTried, ...]:
    """Plan one view with several lenses, each once, from the shortest.

    Parameters as in `plan_grid`. A lens that cannot do it is kept, with the reason.

    Raises
    ------
    PlanError
        If no lens is named, or none of them can do it.
    """
    if not focal_mm:
        raise PlanError("no lens to compare", "give two or more focal lengths, such as 24 50 70 150")
    tried = []
    for lens in sorted(set(focal_mm)):
        try:
            plan = plan_grid(view, sensor, lens, grid)
            tried.append(LensTried(lens, plan, figures_of(plan, shooting), None))
        except PlanError as error:
            tried.append(LensTried(lens, None, None, str(error)))
    if all(t.plan is None for t in tried):
        raise PlanError(tried[0].why or "none of these lenses can do it")
    return tuple(tried)


def compare_words(
    tried: Sequence[LensTried],
    shooting: Shooting,
    *,
    assumed: Sequence[str] = (),
    units: Units = "metric",
    width: int = 80,
) -> str:
    """A table of lenses, and what to make of it.

    Returns
    -------
    str
        At most 80 columns for usual numbers; sentences are wrapped at `width`. No line feed at the end.
    """
    done = [(t.plan, t.figures) for t in tried if t.plan is not None and t.figures is not None]
    first = done[0][0]
    view = "all round" if first.view.full_turn else f"{degrees_words(first.view.wide, 0)} degrees"
    held = "upright" if first.orientation == "portrait" else "lying"
    title = f"{view} across and {degrees_words(first.view.tall, 0)} degrees up and down, camera {held}:"
    header = (
        "lens\nmm",
        "columns\nx rows",
        "frames",
        "mega-\npixels",
        "px per\ndegree",
        f"print at\n{shooting.ppi:.0f} ppi",
        "16-bit\nTIFF",
        "time",
        "over-\nlap",
        "near\nlimit",
    )
    lines = [
        title[:1].upper() + title[1:],
        "",
        *_table([header, *(_cells(p, f, units) for p, f in done)], width),
    ]
    lines.append("")
    for tried_one in tried:
        if tried_one.why is not None:
            lines += paragraph(f"{focal_words(tried_one.focal_mm)}: {tried_one.why}.", width)
    fine, coarse = done[-1][1].pixel_far_m, done[0][1].pixel_far_m
    sentences = [
        "Columns are those of the longest row. Overlap: the least share of area, in rows and between them. "
        f"Near limit: nearer things show parallax with the entrance pupil {shooting.rail_error_mm:g} mm off.",
    ]
    if len(done) > 1:
        sentences.append(
            "All lenses show the same perspective: how large far peaks stand depends on where you stand. A "
            f"longer lens spends more pixels: at 1 km one is {small_words(fine * 1e3)} wide with the "
            f"longest, {small_words(coarse * 1e3)} with the shortest."
        )
    if assumed:
        sentences.append(f"Assumed: {'; '.join(assumed)}.")
    for sentence in sentences:
        lines += paragraph(sentence, width)
    return "\n".join(lines)


def _cells(plan: ShootPlan, figures: Figures, units: Units) -> tuple[str, ...]:
    shares = [s for s in (figures.overlap, figures.overlap_rows) if s is not None]
    return (
        focal_words(plan.focal_mm).removesuffix(" mm"),
        f"{max(len(row.stops) for row in plan.rows)} x {len(plan.rows)}",
        f"{plan.frames:,}",
        f"{plan.megapixels:,.0f}" if plan.megapixels >= 9.95 else f"{plan.megapixels:.1f}",
        f"{plan.pixels_per_degree:,.0f}",
        print_words(figures.print, units),
        bytes_words(figures.tiff_bytes),
        _short_time(figures.sweep.duration_s),
        share_words(min(shares)) if shares else "-",
        "-" if figures.near_limit_m is None else distance_words(figures.near_limit_m),
    )


def _short_time(seconds: float) -> str:
    """A duration in one unit: "32 s", "1.5 min", "11 min", "3.3 h"."""
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    value, unit = (seconds / 60.0, "min") if seconds < 3570.0 else (seconds / 3600.0, "h")
    return f"{value:.1f} {unit}" if value < 9.95 else f"{value:,.0f} {unit}"


def _table(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Cells in columns, right-aligned; the first row may have cells of several lines, set at the bottom."""
    head = [cell.split("\n") for cell in rows[0]]
    deep = max(map(len, head))
    stacked = [[""] * (deep - len(cell)) + cell for cell in head]
    lines = [list(line) for line in zip_longest(*stacked, fillvalue="")] + [list(row) for row in rows[1:]]
    widths = [max(len(line[k]) for line in lines) for k in range(len(rows[0]))]
    gap = " " if sum(widths) + 2 * (len(widths) - 1) > width else "  "
    return [
        gap.join(cell.rjust(wide) for cell, wide in zip(line, widths, strict=True)).rstrip() for line in lines
    ]
