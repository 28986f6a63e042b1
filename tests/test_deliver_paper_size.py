"""Pictures laid out on paper: sizes, margins, bleed, wrap and panels, as whole pixels that add up."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.deliver.panel_label import DOT_MM, HIGH
from belvedere.deliver.panels import GAP_MM, MARK_MM, cut_into_panels
from belvedere.deliver.paper_size import PrintLayout, PrintWish, Rect, lay_out
from belvedere.errors import PlanError

_sides = st.integers(50, 60_000)
_mm = st.floats(50.0, 20_000.0)


def _inside(inner: Rect, outer: Rect) -> bool:
    return outer.x0 <= inner.x0 < inner.x1 <= outer.x1 and outer.y0 <= inner.y0 < inner.y1 <= outer.y1


def _meet(a: Rect, b: Rect) -> bool:
    return a.x0 < b.x1 and b.x0 < a.x1 and a.y0 < b.y1 and b.y0 < a.y1


def _whole(layout: PrintLayout) -> Rect:
    return Rect(0, 0, layout.width, layout.height)


def test_a_known_print() -> None:
    """12,000 x 6,000 px, 1 m wide at 254 px an inch (10 px a mm), 20 mm of wrap and 3 mm of bleed."""
    layout = lay_out(12_000, 6_000, PrintWish(width_mm=1000.0, ppi=254.0, wrap_mm=20.0, bleed_mm=3.0))
    assert (layout.width, layout.height) == (10_460, 5_460)
    assert layout.trim == Rect(30, 30, 10_430, 5_430)
    assert layout.front == layout.picture == Rect(230, 230, 10_230, 5_230)
    assert layout.mirrored
    assert layout.mm(layout.front.width) == pytest.approx(1000.0)


def test_without_a_size_every_pixel_is_printed_once() -> None:
    layout = lay_out(3001, 1999, PrintWish(margin_mm=25.4, ppi=100.0))
    assert layout.picture == Rect(100, 100, 3101, 2099)
    assert (layout.width, layout.height) == (3201, 2199)


def test_both_sides_given_fit_the_whole_picture_in_the_middle() -> None:
    layout = lay_out(2000, 1000, PrintWish(width_mm=100.0, height_mm=100.0, ppi=254.0))
    assert layout.picture == Rect(0, 250, 1000, 750)
    assert not layout.mirrored


def test_the_pictures_own_rim_can_be_what_is_turned_over() -> None:
    layout = lay_out(3000, 2000, PrintWish(width_mm=1000.0, ppi=254.0, wrap_mm=50.0, beyond="picture"))
    assert layout.front.width == 10_000
    assert layout.picture == _whole(layout)
    assert layout.width * 2 == pytest.approx(layout.height * 3, abs=3)
    assert not layout.mirrored


@settings(deadline=None)
@given(w=_sides, h=_sides, width=_mm, ppi=st.floats(50.0, 720.0), around=st.floats(0.0, 60.0))
@pytest.mark.parametrize("kind", ["margin", "wrap", "bleed", "rim"])
def test_everything_lies_within_everything(
    kind: str, w: int, h: int, width: float, ppi: float, around: float
) -> None:
    wish = PrintWish(
        width_mm=width,
        ppi=ppi,
        margin_mm=around if kind == "margin" else 0.0,
        wrap_mm=around if kind == "wrap" else 0.0,
        bleed_mm=around if kind in ("bleed", "rim") else 0.0,
        beyond="picture" if kind == "rim" else "mirror",
    )
    try:
        layout = lay_out(w, h, wish)
    except PlanError:
        assume(False)
        return
    assert _inside(layout.trim, _whole(layout))
    assert _inside(layout.front, layout.trim)
    assert _inside(layout.picture, _whole(layout))
    assert layout.front.width == max(1, round(width / 25.4 * ppi))
    picture = layout.picture
    assert abs(picture.height - max(1.0, picture.width * h / w)) <= 1.0
    if kind == "margin":
        assert layout.trim == layout.front == _whole(layout)
        rim = round(around / 25.4 * ppi)
        assert abs(picture.x0 - rim) <= 1
        assert abs(picture.y0 - rim) <= 1
    elif kind == "rim":
        assert picture == _whole(layout)
    else:
        assert picture == layout.front
        assert layout.mirrored == (layout.width > layout.front.width)


@settings(deadline=None, max_examples=200)
@given(
    width=st.floats(300.0, 12_000.0),
    shape=st.floats(0.2, 4.0),
    roll=st.floats(250.0, 3000.0),
    overlap=st.floats(0.0, 60.0),
    bleed=st.floats(0.0, 50.0),
    ppi=st.floats(30.0, 400.0),
    marks=st.booleans(),
)
def test_panels_tile_the_print(
    width: float, shape: float, roll: float, overlap: float, bleed: float, ppi: float, marks: bool
) -> None:
    """Trims meet without gap or overlap; pages fit the roll; neighbours share the overlap; none is wasted."""
    try:
        layout = lay_out(10_000, max(1, round(10_000 * shape)), PrintWish(width, ppi=ppi, bleed_mm=bleed))
        panels = cut_into_panels(layout, roll_mm=roll, overlap_mm=overlap, marks=marks)
    except PlanError:
        assume(False)
        return
    assert [p.index for p in panels] == list(range(len(panels)))
    assert {p.count for p in panels} == {len(panels)}
    assert panels[0].trim.x0 == layout.trim.x0
    assert panels[-1].trim.x1 == layout.trim.x1
    most = roll / 25.4 * ppi
    shared = 2 * round(overlap / 25.4 * ppi / 2.0)
    for panel in panels:
        assert (panel.trim.y0, panel.trim.y1) == (layout.trim.y0, layout.trim.y1)
        assert _inside(panel.trim, panel.image)
        assert _inside(panel.image, panel.page)
        assert _inside(panel.image, _whole(layout))
        assert min(panel.page.width, panel.page.height) <= most + 1e-3
        assert all(_inside(mark, panel.page) and not _meet(mark, panel.image) for mark in panel.marks)
        assert bool(panel.marks) == marks
    for left, right in pairwise(panels):
        assert left.trim.x1 == right.trim.x0
        assert left.image.x1 - right.image.x0 == shared
    widths = [p.trim.width for p in panels]
    assert max(widths) - min(widths) <= 1
    if len(panels) > 2:  # one fewer would not fit
        fewer = -(-layout.trim.width // (len(panels) - 1))
        slug = panels[0].page.width - panels[0].image.width
        assert fewer + shared // 2 + max(shared // 2, layout.trim.x0) + slug > most


def test_a_print_lower_than_the_roll_is_wide_is_one_piece() -> None:
    layout = lay_out(40_000, 8_000, PrintWish(width_mm=5000.0, ppi=100.0))
    assert len(cut_into_panels(layout, roll_mm=1118.0)) == 1
    assert len(cut_into_panels(layout, roll_mm=1000.0)) == 6


@pytest.mark.parametrize(
    ("longest", "across", "down"), [(None, 4, 1), (2000.0, 4, 1), (1200.0, 4, 2), (500.0, 4, 4)]
)
def test_panels_longer_than_a_piece_are_cut_across(longest: float | None, across: int, down: int) -> None:
    layout = lay_out(4000, 2000, PrintWish(width_mm=3500.0, ppi=100.0))
    panels = cut_into_panels(layout, roll_mm=1000.0, longest_mm=longest, overlap_mm=20.0)
    assert len(panels) == across * down
    assert [(p.row, p.rows) for p in panels] == [(k // across, down) for k in range(across * down)]
    tiled = np.zeros((layout.height, layout.width), np.uint8)
    for panel in panels:
        tiled[panel.trim.y0 : panel.trim.y1, panel.trim.x0 : panel.trim.x1] += 1
        assert _inside(panel.image, _whole(layout))
        assert panel.page.width <= 1000.0 / 25.4 * 100.0
        assert longest is None or panel.page.height <= longest / 25.4 * 100.0
        assert all(_inside(mark, panel.page) and not _meet(mark, panel.image) for mark in panel.marks)
    assert (tiled == 1).all()


def test_a_low_print_longer_than_a_piece_is_cut_along_the_roll() -> None:
    layout = lay_out(6000, 1000, PrintWish(width_mm=6000.0, ppi=100.0))
    panels = cut_into_panels(layout, roll_mm=1118.0, longest_mm=5000.0, overlap_mm=20.0)
    assert [p.trim.width for p in panels] == [layout.width // 2] * 2
    with pytest.raises(PlanError, match="give the roll's width too"):
        cut_into_panels(layout, longest_mm=5000.0)


def _label(layout: PrintLayout, k: int, **given: float) -> NDArray[np.uint8]:
    """What is printed above the k-th panel between its corners' marks."""
    panel = cut_into_panels(layout, overlap_mm=20.0, **given)[k]
    page = np.zeros((panel.page.height, panel.page.width), np.uint8)
    for m in panel.marks:
        page[m.y0 - panel.page.y0 : m.y1 - panel.page.y0, m.x0 - panel.page.x0 : m.x1 - panel.page.x0] = 1
    inner = slice(panel.trim.x0 - panel.page.x0 + 20, panel.trim.x1 - panel.page.x0 - 20)
    return page[: panel.image.y0 - panel.page.y0, inner]


def test_every_one_of_several_panels_says_which_it_is() -> None:
    layout = lay_out(4000, 2000, PrintWish(width_mm=1500.0, ppi=254.0))
    labels = [_label(layout, k, roll_mm=610.0) for k in range(3)]
    dot = round(DOT_MM * 10)
    for label in labels:
        (ys,) = np.nonzero(label.any(axis=1))
        assert np.ptp(ys) == HIGH * dot - 1
        columns = np.flatnonzero(label.any(axis=0))
        arrow = label[ys[0] : ys[-1] + 1, columns[0] : columns[0] + 5 * dot]
        assert arrow[dot : 2 * dot].sum() > arrow[-dot:].sum()  # it points up
        assert columns[0] > label.shape[1] // 4  # in the middle
        assert columns[-1] < 3 * label.shape[1] // 4
    assert not np.array_equal(labels[0], labels[1])
    whole = lay_out(4000, 2000, PrintWish(width_mm=500.0, ppi=254.0))
    assert not _label(whole, 0, roll_mm=610.0).any()  # the only one needs no name


def test_narrow_panels_have_a_short_name_or_none() -> None:
    full, short = (np.ptp(np.flatnonzero(_label(_drop(w), 0, roll_mm=w).any(axis=0))) for w in (200.0, 80.0))
    assert short < full
    assert not _label(_drop(50.0), 0, roll_mm=50.0).any()
    coarse = lay_out(400, 200, PrintWish(width_mm=3000.0, ppi=20.0))
    assert len({m.width for m in cut_into_panels(coarse, roll_mm=610.0)[0].marks}) <= 2  # lines alone


def _drop(roll: float) -> PrintLayout:
    """A print of some panels from a roll of this width."""
    return lay_out(4000, 2000, PrintWish(width_mm=4.0 * roll, ppi=254.0))


def test_marks_point_at_the_corners_of_the_cut() -> None:
    layout = lay_out(1000, 500, PrintWish(width_mm=200.0, ppi=254.0, bleed_mm=3.0))
    (panel,) = cut_into_panels(layout)
    line = 1
    assert len(panel.marks) == 8
    tops = [m for m in panel.marks if m.y1 <= 0]
    assert sorted(m.x0 + line // 2 for m in tops) == [layout.trim.x0, layout.trim.x1]
    assert {m.height for m in tops} == {round(MARK_MM * 10)}
    assert {m.y1 for m in tops} == {-round(GAP_MM * 10)}


def test_a_wrapped_print_has_fold_marks_between_its_trim_marks() -> None:
    layout = lay_out(1000, 500, PrintWish(width_mm=200.0, ppi=254.0, wrap_mm=30.0))
    (panel,) = cut_into_panels(layout)
    folds = [m for m in panel.marks if m.y1 <= 0 and m.height < MARK_MM * 10]
    assert sorted(m.x0 for m in folds) == [layout.front.x0, layout.front.x1]


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        (PrintWish(width_mm=100.0, margin_mm=50.0), "leave nothing of a print of 100 x"),
        (PrintWish(width_mm=100.0, margin_mm=5.0, bleed_mm=3.0), "not both"),
        (PrintWish(width_mm=500_000.0), "larger than sensible; up to 100 m"),
        (PrintWish(width_mm=90_000.0, ppi=300.0), "at 69 pixels per inch it could be made"),
        (PrintWish(width_mm=100.0, ppi=9600.0), "is no print; from 5 to 2880"),
        (PrintWish(width_mm=float("nan")), "must be a number above 0 mm"),
        (PrintWish(width_mm=100.0, bleed_mm=-1.0), "must be 0 mm or more, not -1 mm"),
        (PrintWish(width_mm=100.0, height_mm=100.0, bleed_mm=3.0), "give the width or the height alone"),
        (PrintWish(width_mm=100.0, wrap_mm=80.0), "wider than the picture"),
    ],
)
def test_what_cannot_be_is_said(wish: PrintWish, says: str) -> None:
    with pytest.raises(PlanError, match=says):
        lay_out(3000, 2000, wish)


@pytest.mark.parametrize(
    ("roll", "overlap", "says"),
    [
        (10.0, 0.0, "no room"),
        (300.0, 290.0, "no room"),
        (50.0, 60.0, "no room"),
        (-5.0, 0.0, "must be a number above 0 mm"),
        (500.0, float("inf"), "must be 0 mm or more"),
        (300.0, -1.0, "must be 0 mm or more"),
        (20.0, 0.0, "panels, more than 200"),
    ],
)
def test_rolls_that_cannot_do_it(roll: float, overlap: float, says: str) -> None:
    layout = lay_out(4000, 2000, PrintWish(width_mm=3000.0, ppi=100.0, bleed_mm=3.0))
    with pytest.raises(PlanError, match=says):
        cut_into_panels(layout, roll_mm=roll, overlap_mm=overlap)
