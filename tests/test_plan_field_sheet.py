"""The page for the field: one page, every number on it, no text over text, the same bytes twice."""

from __future__ import annotations

import math
import re
from datetime import datetime, timedelta, timezone
from itertools import combinations

import pypdfium2
import pypdfium2.raw as raw
import pytest

from belvedere.errors import PlanError
from belvedere.optics.sensor import Sensor
from belvedere.plan.cautions import cautions
from belvedere.plan.field_sheet import MADE_BY, field_sheet
from belvedere.plan.figures import figures_of
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.light import light_of_plan
from belvedere.plan.place import Place
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.sheet_page import Style, printable, text_width, wrapped
from belvedere.plan.shooting import Shooting
from belvedere.plan.told_plan import ToldPlan
from belvedere.plan.view import view_of_angles

SENSOR = Sensor(36.0, 24.0, 8208, 5472)
Box = tuple[float, float, float, float]


def told(wide: float, tall: float, focal: float, *, lit: bool = False, **more: object) -> ToldPlan:
    view = view_of_angles(math.radians(wide), math.radians(tall), bearing=math.radians(110))
    plan = plan_grid(view, SENSOR, focal, GridAsked(**more))  # type: ignore[arg-type]
    shooting = Shooting(nearest_m=5.0, cloud_speed_m_s=10.0 if lit else None)
    figures = figures_of(plan, shooting)
    if not lit:
        return ToldPlan(plan, figures, shooting, "a camera", cautions(sun_near=None))
    place = Place.from_degrees(46.0, 8.0, 1800.0, "Etc/GMT-2")
    start = datetime(2026, 10, 3, 7, 40, tzinfo=timezone(timedelta(hours=2)))
    light = light_of_plan(plan, figures.sweep, place, start)
    return ToldPlan(plan, figures, shooting, "a camera", light.cautions, light)


CASES = {
    "one frame": lambda: told(20, 12, 24),
    "two rows": lambda: told(100, 40, 50),
    "clicks and light": lambda: told(120, 40, 50, lit=True, head=Head(math.radians(15), math.radians(7.5))),
    "all round and both poles": lambda: told(360, 180, 24),
    "a long row": lambda: told(360, 12, 150),
    "a column": lambda: told(10, 120, 100),
    "271 frames": lambda: told(120, 30, 300),
    "little overlap": lambda: told(150, 100, 24, overlap=0.12),
}


def opened(page: bytes) -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(page)


def text_of(page: bytes) -> str:
    return opened(page)[0].get_textpage().get_text_range()


def text_boxes(page: bytes) -> list[tuple[Box, str]]:
    """Every piece of text with the box of its ink (left, bottom, right, top)."""
    sheet = opened(page)[0]
    own = sheet.get_textpage()
    found = []
    for item in sheet.get_objects(filter=[raw.FPDF_PAGEOBJ_TEXT]):
        box = item.get_bounds()
        found.append((box, own.get_text_bounded(*box)))
    return found


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("case", CASES)
def test_one_page_with_every_number_and_no_text_over_text(case: str, paper: str) -> None:
    plan = CASES[case]()
    page = field_sheet(plan, title="Hut ridge", paper=paper)
    document = opened(page)
    assert len(document) == 1
    width, height = document[0].get_size()
    assert (width, height) == pytest.approx((595.28, 841.89) if paper == "A4" else (612.0, 792.0), abs=0.01)
    words = set(re.findall(r"\d+", text_of(page)))
    assert {str(n) for n in range(1, plan.plan.frames + 1)} <= words
    boxes = text_boxes(page)
    assert len(boxes) > 30
    for (left, bottom, right, top), said in boxes:
        assert min(left, bottom, width - right, height - top) >= 20, said
    for (a, said), (b, other) in combinations(boxes, 2):
        across = min(a[2], b[2]) - max(a[0], b[0])
        down = min(a[3], b[3]) - max(a[1], b[1])
        assert across <= 0.3 or down <= 0.3, (said, other)


def test_frames_that_share_little_at_an_edge_are_said_on_the_sheet() -> None:
    plan = CASES["little overlap"]()
    least = min(e for r in plan.plan.rows for e in (r.overlap_least, r.overlap_below_least) if e is not None)
    assert least < 0.1
    said = " ".join(text_of(field_sheet(plan)).split())
    assert f"At an edge frames share as little as {math.floor(least * 100)} % of a side" in said
    assert "share as little" not in text_of(field_sheet(CASES["two rows"]()))


@pytest.mark.parametrize(("wide", "tall", "focal"), [(360, 60, 300), (100, 100, 500), (360, 180, 200)])
def test_large_grids_stay_on_one_page_with_the_ends_of_rows(wide: float, tall: float, focal: float) -> None:
    plan = told(wide, tall, focal)
    page = field_sheet(plan)
    assert plan.plan.frames > 1000
    assert len(opened(page)) == 1
    text = text_of(page)
    assert f"{plan.plan.frames:,}" in text
    assert re.search(rf"\b{plan.plan.frames}\b", text)
    assert len(page) < 150_000
    height = opened(page)[0].get_size()[1]
    assert all(b >= 20 and t <= height - 20 for (_, b, _, t), _ in text_boxes(page))


def test_ends_of_rows_do_not_meet_in_a_narrow_high_grid() -> None:
    boxes = text_boxes(field_sheet(told(14, 180, 300, overlap=0.84, orientation="landscape")))
    for (a, said), (b, other) in combinations(boxes, 2):
        assert min(a[2], b[2]) - max(a[0], b[0]) <= 0.3 or min(a[3], b[3]) - max(a[1], b[1]) <= 0.3, (
            said,
            other,
        )


def test_the_same_plan_gives_the_same_bytes_and_no_clock() -> None:
    first, again = (field_sheet(CASES["clicks and light"](), title="Hut ridge") for _ in range(2))
    assert first == again
    dates = set(re.findall(rb"/(?:CreationDate|ModDate) \(D:(\d{4})", first))
    assert dates <= {b"2000"}
    assert MADE_BY.encode() in first


def test_what_the_hand_needs_is_on_it() -> None:
    text = " ".join(text_of(field_sheet(CASES["clicks and light"](), title="Hut ridge")).split())
    for words in (
        "Hut ridge",
        "18 frames with a lens of 50 mm",
        "–7.5° (–2)",
        "120° (8)",
        "Base level",
        "metered on the brightest part",
        "White balance fixed",
        "Stabiliser off",
        "marker frame",
        "Focus at 36 m, then lock",
        "first frame 07:40",
        "Never look at the sun",
        "Local rules come first",
        "bearing 110°",
        "Bearings are true",
        "Stop 1 looks 60.0 degrees left of the view's middle, at bearing 50.0.",
    ):
        assert words in text, words


def test_titles_of_any_kind_fit() -> None:
    for title in ("x" * 400, "Grat über der Hütte", "山の稜線", "", "a\nb"):
        assert len(opened(field_sheet(CASES["two rows"](), title=title))) == 1
    assert "über" in text_of(field_sheet(CASES["two rows"](), title="Grat über der Hütte"))
    assert printable("Łąka 山") == "?aka ?"


def test_wrapped_lines_keep_their_width() -> None:
    style = Style(10.0)
    lines = wrapped("a few words and " + "one" * 60, 80.0, style)
    assert all(text_width(line, style) <= 80.0 for line in lines)
    assert "".join(lines).replace(" ", "") == "afewwordsand" + "one" * 60


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(PlanError, match="A4 and Letter"):
        field_sheet(CASES["one frame"](), paper="A3")
