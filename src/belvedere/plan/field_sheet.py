"""The plan as one page to print and carry: grid, head, checklist, times, light, cautions.

The page holds no clock time and no chance: the same plan gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.plan.answer_words import headline, overlap_words, view_words
from belvedere.plan.cautions import SUN_AND_EYES
from belvedere.plan.checklist import checklist
from belvedere.plan.number_words import (
    bytes_words,
    focal_words,
    megapixels_words,
    pixels_words,
    print_words,
)
from belvedere.plan.sheet_grid import degree_sign, draw_grid, grid_height
from belvedere.plan.sheet_head import draw_head, head_height, head_lines
from belvedere.plan.sheet_light import light_lines, sun_at_start
from belvedere.plan.sheet_page import (
    BLUE,
    BOLD,
    FAINT,
    PAPERS_PT,
    QUIET,
    REGULAR,
    Page,
    Style,
    paragraph_height,
    text_width,
    wrapped,
)
from belvedere.plan.sweep import duration_words
from belvedere.plan.told_plan import ToldPlan

MADE_BY = "Belvedere field sheet"
MARGIN = 36.0
_COLUMN_GAP = 20.0
_BLOCK_GAP = 13.0
_TITLE_LEADING = 1.75
_LEAST_GRID = 170.0
_MOST_GRID = 300.0
_SIZES = (10.5, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5)


def field_sheet(told: ToldPlan, *, title: str | None = None, paper: str = "A4") -> bytes:
    """Draw a plan on one page.

    Parameters
    ----------
    told : ToldPlan
    title : str or None
        At its head; "Shoot plan" if not given.
    paper : "A4" or "Letter"

    Returns
    -------
    page : bytes
        PDF.

    Raises
    ------
    PlanError
        If there is no such paper.
    """
    if paper not in PAPERS_PT:
        raise PlanError(f"there is no paper called {paper!r}", f"there are {' and '.join(PAPERS_PT)}")
    page = Page(paper, title or "Shoot plan", MADE_BY)
    x, width = MARGIN, page.width - 2.0 * MARGIN
    floor = MARGIN + 12.0
    y = _top(page, told, title or "Shoot plan", x, width)
    wide = (width - _COLUMN_GAP) / 2.0
    left, right = _columns(told, wide)
    lines = head_lines(told.plan)
    for size in _SIZES:  # the largest letters that leave the grid its room
        below = max(_column_height(left, wide, size), _column_height(right, wide, size))
        table = head_height(lines, width, size)
        room = y - floor - below - table - 3.0 * _BLOCK_GAP
        if room >= min(_LEAST_GRID, grid_height(told.plan, width, _LEAST_GRID)):
            break
    tall = grid_height(told.plan, width, min(_MOST_GRID, room))
    draw_grid(page, told.plan, x, y, width, tall, sun=sun_at_start(told))
    y -= tall + _BLOCK_GAP
    y = draw_head(page, told.plan, lines, x, y, width, size) - _BLOCK_GAP
    page.line(x, y + 4.0, x + width, y + 4.0)
    other = x + wide + _COLUMN_GAP
    ends = [
        (_column(page, blocks, at, y - 4.0, wide, size), at) for blocks, at in ((left, x), (right, other))
    ]
    end, at = max(ends)
    _notes(page, at, end, floor, wide, size)
    _foot(page, told, x, width)
    return page.done()


@dataclass(frozen=True, slots=True)
class _Block:
    """A heading and the lines under it; `ticked`: each with a box before it; `loud`: how many are bold."""

    name: str
    lines: tuple[str, ...]
    ticked: bool = False
    loud: int = 0

    def parts(self, size: float) -> Iterator[tuple[str, Style, float, float]]:
        """Every line with its style, its indent and the gap after it."""
        for k, line in enumerate(self.lines):
            style = Style(size, BOLD if k < self.loud else REGULAR)
            yield line, style, size * 1.5 if self.ticked else 0.0, size * (0.5 if self.ticked else 0.3)


def _top(page: Page, told: ToldPlan, title: str, x: float, width: float) -> float:
    """Title, one sentence, and the figures that are looked for first; returns where the next may begin."""
    plan = told.plan
    large = next(
        (s for s in (Style(float(n), BOLD) for n in (22, 19, 16, 14, 12)) if text_width(title, s) <= width),
        Style(12.0, BOLD),
    )
    y = page.height - MARGIN
    name = wrapped(title, width, large)[0] if title.split() else "Shoot plan"
    page.text(x, y - large.size * 0.8, name, large)
    y -= large.size * 0.8 + 8.0
    y = page.paragraph(x, y, width, f"{headline(plan)} View: {view_words(plan)}.", Style(10.5, ink=QUIET))
    y -= 7.0
    page.line(x, y, x + width, y, BLUE, 1.2)
    facts = _facts(told)
    label, value = Style(8.0, ink=QUIET), Style(14.0, BOLD)
    total = sum(text_width(v, value) for _, v in facts)
    while total + 10.0 * len(facts) > width and value.size > 8.0:
        value = Style(value.size - 0.5, BOLD)
        total = sum(max(text_width(v, value), text_width(n, label)) for n, v in facts)
    gap = (width - sum(max(text_width(v, value), text_width(n, label)) for n, v in facts)) / (len(facts) - 1)
    at = x
    for n, v in facts:
        page.text(at, y - 13.0, n, label)
        page.text(at, y - 30.0, v, value)
        at += max(text_width(v, value), text_width(n, label)) + gap
    y -= 38.0
    page.line(x, y, x + width, y)
    return y - 10.0


def _facts(told: ToldPlan) -> tuple[tuple[str, str], ...]:
    plan, figures = told.plan, told.figures
    steps = sorted({round(row.step, 9) for row in plan.rows if row.step > 0.0})
    if not steps:
        turn = "-"
    elif plan.head.yaw_click is not None:
        clicks = sorted({round(s / plan.head.yaw_click) for s in steps})
        count = str(clicks[0]) if len(clicks) == 1 else f"{clicks[0]}–{clicks[-1]}"
        turn = f"{count} x {degree_sign(plan.head.yaw_click, 2)}"
    elif degree_sign(steps[0]) == degree_sign(steps[-1]):
        turn = degree_sign(steps[0])
    else:
        turn = f"{degree_sign(steps[0])[:-1]}–{degree_sign(steps[-1])}"
    name = "turn by" if plan.head.yaw_click is None else "turn, clicks"
    return (
        ("lens", focal_words(plan.focal_mm)),
        ("frames", f"{plan.frames:,}"),
        (name, turn),
        (
            "picture",
            megapixels_words(plan.megapixels).replace("megapixels", "MP").replace("gigapixels", "GP"),
        ),
        (f"print at {figures.print.ppi:.0f} ppi", print_words(figures.print, told.units)),
        ("time", duration_words(figures.sweep.duration_s)),
    )


def _columns(told: ToldPlan, width: float) -> tuple[tuple[_Block, ...], tuple[_Block, ...]]:
    """What stands left and right, shared out so that the longer column is the shorter of what is possible."""
    check = _Block("At the tripod", checklist(told), ticked=True)
    light = _Block("Time and light", light_lines(told))
    care = _care(told.cautions)
    ways = (((check,), (light, care)), ((check, care), (light,)), ((check, light), (care,)))
    return min(ways, key=lambda way: max(_column_height(blocks, width, 9.0) for blocks in way))


def _care(cautions: Sequence[str]) -> _Block:
    """The cautions, with the sentence that saves eyes first and bold."""
    first = cautions[0] if cautions else ""
    if SUN_AND_EYES not in first:
        return _Block("Take care", tuple(cautions))
    never, _, rest = SUN_AND_EYES.partition(". ")
    where = first.replace(SUN_AND_EYES, "").strip()
    return _Block("Take care", (f"{never}.", f"{rest} {where}", *cautions[1:]), loud=1)


def _column(page: Page, blocks: Sequence[_Block], x: float, y: float, width: float, size: float) -> float:
    """Draw blocks under each other; returns where the next may begin."""
    title = Style(size + 1.0, BOLD, BLUE)
    for block in blocks:
        page.text(x, y - title.size, block.name, title)
        y -= title.size * _TITLE_LEADING
        for line, style, indent, gap in block.parts(size):
            if block.ticked:
                page.canvas.setStrokeColorRGB(*QUIET)
                page.canvas.setLineWidth(0.7)
                page.canvas.rect(x, y - size * 0.98, size * 0.82, size * 0.82, stroke=1, fill=0)
            y = page.paragraph(x + indent, y, width - indent, line, style) - gap
        y -= size * 0.6
    return y


def _column_height(blocks: Sequence[_Block], width: float, size: float) -> float:
    tall = 4.0
    for block in blocks:
        tall += (size + 1.0) * _TITLE_LEADING + size * 0.6
        for line, style, indent, gap in block.parts(size):
            tall += paragraph_height(line, width - indent, style) + gap
    return tall


def _notes(page: Page, x: float, y: float, floor: float, width: float, size: float) -> None:
    """Ruled lines to write on, where there is room for three."""
    if y - floor < 90.0:
        return
    title = Style(size + 1.0, BOLD, BLUE)
    page.text(x, y - title.size, "Notes", title)
    y -= title.size * _TITLE_LEADING + 16.0
    while y >= floor:
        page.line(x, y, x + width, y, FAINT, 0.7)
        y -= 22.0


def _foot(page: Page, told: ToldPlan, x: float, width: float) -> None:
    plan, figures = told.plan, told.figures
    said = [
        told.camera,
        f"overlap {overlap_words(plan.overlap_wanted)} or more",
        f"{pixels_words(plan.width_px, plan.height_px)} px",
        f"card {bytes_words(figures.card.raw_bytes)} raw",
        "belvedere plan",
    ]
    style = Style(7.0, ink=QUIET)
    text = "  ·  ".join(said)
    while text_width(text, style) > width and len(said) > 2:
        said.pop(1)
        text = "  ·  ".join(said)
    page.text(x, MARGIN - 8.0, wrapped(text, width, style)[0], style)
