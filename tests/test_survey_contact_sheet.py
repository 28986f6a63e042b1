"""What a person sees of a sorted card: the table in the terminal and the contact sheet."""

from __future__ import annotations

import base64
import re
import tracemalloc
from html.parser import HTMLParser

import msgspec
import numpy as np
import simplejpeg

from belvedere.pipeline.thumbnails import LONG_SIDE_PX, Thumbnails
from belvedere.survey.sorting.contact_sheet import GENERATOR, Thumbnail, contact_sheet
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard
from belvedere.survey.sorting.table import series_table

FRAMES = tuple(f"DCIM/100DEMO/VH_{k:04d}.JPG" for k in range(1, 8))

GRID = Series(
    name="02 <quay> & tower",
    frames=FRAMES,
    rows=(FRAMES[:4], FRAMES[4:]),
    missing=((0, 2), (1, 0), (1, 4)),
    focal_mm=24.0,
    orientation="landscape",
    started="2026-11-25T09:14:10",
    ended="2026-11-25T09:16:00",
    why="6 of 7 frames overlap their neighbours",
    confidence=0.42,
)
CARD = SortedCard(
    card="/media/card",
    series=(
        Series(
            name="01", frames=("a.jpg", "b.jpg"), rows=(("a.jpg", "b.jpg"),), why="one row", confidence=0.97
        ),
        GRID,
    ),
    markers=(
        SetApart("hand.jpg", "something close to the lens"),
        SetApart("cap.jpg", "something close to the lens"),
    ),
    strays=(SetApart("askew.jpg", "overlaps <nothing>"),),
    unreadable=(SetApart("cut.jpg", "is cut short"),),
    notices=("3 sidecar files lie beside the pictures: edits are not applied",),
)
VOID = {"meta", "img"}


class Page(HTMLParser):
    """Collects what a page holds, and checks that it is well formed."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words += data

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def small(place: str) -> Thumbnail | None:
    return None if place == "askew.jpg" else Thumbnail(place.encode(), 160, 107)


def page() -> tuple[str, Page]:
    text = "".join(contact_sheet(CARD, small))
    return text, Page(text)


def test_the_table_begins_with_what_was_found_and_has_a_line_a_series() -> None:
    text = series_table(CARD, width=130)
    first, _, heads, one, two, *rest = text.splitlines()
    assert first == "2 series, 2 markers, 1 set apart, 1 that cannot be read: 12 frames on /media/card"
    assert heads.split() == ["series", "frames", "rows", "lens", "shot", "sure", "why"]
    assert one.split() == ["01", "2", "1", "x", "2", "–", "–", "97", "%", "one", "row"]
    assert two.startswith(
        "02 <quay> & tower       7  2 x 5  24 mm  2026-11-25 09:14–09:16  42 %  6 of 7 frames"
    )
    told = " ".join(" ".join(rest).split())
    assert "missing: row 1, column 3; row 2, columns 1 and 5" in told
    assert "in doubt" in told
    assert "hand.jpg, cap.jpg: something close to the lens" in told
    assert "askew.jpg: overlaps <nothing>" in told
    assert "cut.jpg: is cut short" in told
    assert "edits are not applied" in told


def test_the_table_keeps_to_the_terminal_and_cuts_nothing_off() -> None:
    wide, narrow = series_table(CARD, width=140), series_table(CARD, width=78)
    assert max(map(len, narrow.splitlines())) <= 78
    assert sorted(re.findall(r"\w+", wide)) == sorted([*re.findall(r"\w+", narrow), "why"])


def test_brackets_and_long_lists_are_told_short() -> None:
    poses = tuple((f, f"{f}-under", f"{f}-over") for f in FRAMES)
    series = msgspec.structs.replace(GRID, brackets=poses)
    strays = tuple(SetApart(f"{k}.jpg", "shows nothing") for k in range(40))
    text = series_table(SortedCard(card="c", series=(series,), strays=strays))
    assert " 7 x 3 " in text
    assert "61 frames on c" in text
    assert "and 28 more, in the contact sheet" in text


def test_the_page_needs_nothing_beside_it_and_runs_nothing() -> None:
    text, read = page()
    assert not re.search(r"https?:|url\(|@import|<script|<link|javascript:", text)
    assert all((image["src"] or "").startswith("data:image/jpeg;base64,") for image in read.named("img"))
    policies = [m["content"] for m in read.named("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policies == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]
    assert GENERATOR in text[:512]


def test_every_picture_is_there_and_named_for_those_who_do_not_see_it() -> None:
    _, read = page()
    images = read.named("img")
    assert len(images) == 2 + 7 + 2
    assert base64.b64decode((images[0]["src"] or "").partition(",")[2]) == b"a.jpg"
    alts = [image["alt"] for image in images]
    assert alts[:2] == ["a.jpg, row 1, column 1", "b.jpg, row 1, column 2"]
    assert alts[2:9] == [
        f"VH_{k:04d}.JPG, row {row}, column {column}"
        for k, row, column in [(1, 1, 1), (2, 1, 2), (3, 1, 4), (4, 1, 5), (5, 2, 2), (6, 2, 3), (7, 2, 4)]
    ]
    assert len([a for a in read.named("li") if a.get("class") == "missing"]) == 3
    headings = {a.get("id") for tag, a in read.tags if tag == "h2"}
    assert {a.get("aria-labelledby") for a in read.named("section")} == headings
    assert len(read.named("h1")) == 1
    assert {a["href"] for a in read.named("a")} == {"#series-1", "#series-2"}


def test_names_and_reasons_are_words_and_never_markup() -> None:
    text, read = page()
    assert "<quay>" not in text
    assert "02 <quay> & tower" in read.words
    assert "overlaps <nothing>" in read.words
    assert "Missing: row 1, column 3; row 2, columns 1 and 5." in read.words


def test_a_page_of_5000_frames_is_written_piece_by_piece() -> None:
    files = tuple(f"VH_{k:04d}.JPG" for k in range(5000))
    rows = tuple(files[k : k + 50] for k in range(0, 5000, 50))
    card = SortedCard(card="c", series=(Series(name="all", frames=files, rows=rows),))
    picture = Thumbnail(bytes(6000), 107, 160)
    tracemalloc.start()
    size = sum(len(piece) for piece in contact_sheet(card, lambda _: picture))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert size > 40_000_000
    assert peak < 1_000_000


def test_small_pictures_are_kept_on_disk_the_last_one_of_a_frame() -> None:
    rng = np.random.default_rng(3)
    with Thumbnails() as kept:
        kept.add("a", rng.integers(0, 255, (300, 200, 3), dtype=np.uint8))
        kept.add("b", np.full((80, 120, 3), 7, np.uint8))
        kept.add("a", np.full((200, 300, 3), (250, 120, 10), np.uint8))
        first, second = kept.get("a"), kept.get("b")
        assert first is not None
        assert second is not None
        assert kept.get("c") is None
    assert (first.width, first.height) == (LONG_SIDE_PX, 107)
    assert (second.width, second.height) == (120, 80)
    colour = simplejpeg.decode_jpeg(first.jpeg)[50, 80]
    assert np.abs(colour.astype(int) - (250, 120, 10)).max() < 8
