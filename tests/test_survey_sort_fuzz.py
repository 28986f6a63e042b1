"""Cards of anything in any order: no shot is lost or listed twice, and the same card gives the same bytes."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.capture.card import Card, Shot, counter_of
from belvedere.capture.frame import Exposure, Metadata
from belvedere.errors import UnreadableFile
from belvedere.geometry.rotation import pose_matrix
from belvedere.survey.appearance.marker_look import MarkerKind, MarkerLook
from belvedere.survey.sorting.look import Depth, Look
from belvedere.survey.sorting.series_file import files_of, read_series, series_bytes
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard

WIDTH, HEIGHT, SENSOR_MM = 400, 600, 24.0
NOON = datetime(2031, 5, 4, 12)
BODIES = ("0417", "88-1190", None)
ODDITIES = ("plain", "no picture", "unreadable", "no time", "far off", "again")
MARKERS: dict[str, tuple[MarkerKind, float]] = {
    "hand": ("near-object", 0.95),
    "dark": ("dark", 0.99),
    "chart": ("chart", 0.9),
    "blank": ("blank", 0.2),
    "ground": ("scene", 0.1),
}


@dataclass(frozen=True)
class Press:
    """One press of the release: where it looked, degrees, at which place, with what, and what is odd."""

    yaw: float = 0.0
    pitch: float = 0.0
    place: int = 0
    focal_mm: float | None = 50.0
    body: int = 0
    ev: float = 0.0
    lying: bool = False
    pause_s: float = 4.0
    marker: str = ""
    odd: str = ""


@st.composite
def series(draw: st.DrawFn) -> list[Press]:
    """Rows of frames in some order, perhaps bracketed, a frame missing or an odd one in it."""
    rows, columns = draw(st.integers(1, 2)), draw(st.integers(2, 4))
    start, step = draw(st.sampled_from((0.0, 9.0, 120.0))), draw(st.sampled_from((17.0, -17.0, 12.0)))
    common = Press(
        place=draw(st.integers(0, 1)),
        focal_mm=draw(st.sampled_from((50.0, 50.0, 85.0, None))),
        body=draw(st.integers(0, 2)),
        lying=draw(st.booleans()),
    )
    steps = draw(st.sampled_from(((0.0,), (0.0,), (0.0, -2.0))))
    to_and_fro = draw(st.booleans())
    out = []
    for r in range(rows):
        for c in range(columns) if not (to_and_fro and r % 2) else reversed(range(columns)):
            at = replace(common, yaw=start + step * c, pitch=-22.0 * r)
            out += [replace(at, ev=ev, pause_s=4.0 if not k else 0.5) for k, ev in enumerate(steps)]
    if draw(st.booleans()):
        k = draw(st.integers(0, len(out) - 1))
        odd = draw(st.sampled_from(("gone", *ODDITIES)))
        out[k : k + 1] = [] if odd == "gone" else [replace(out[k], odd=odd)]
    return [replace(out[0], pause_s=draw(st.sampled_from((4.0, 15.0, 20000.0)))), *out[1:]] if out else out


@st.composite
def single(draw: st.DrawFn) -> list[Press]:
    """A marker or a stray."""
    press = Press(
        draw(st.sampled_from((0.0, 60.0, 200.0))),
        focal_mm=draw(st.sampled_from((50.0, 85.0))),
        body=draw(st.integers(0, 1)),
        marker=draw(st.sampled_from(("", *MARKERS))),
        odd=draw(st.sampled_from(("", "", *ODDITIES))),
    )
    return [press]


CARDS = st.lists(series() | single(), max_size=4).map(
    lambda parts: [press for part in parts for press in part]
)


@cache
def world(place: int) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Directions all around a place, and what is to be seen there, as descriptors."""
    rng = np.random.default_rng([place, 11])
    directions = rng.standard_normal((3000, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    some = np.abs(rng.standard_normal((3000, 128))) ** 2
    codes = np.rint(512.0 * some / np.linalg.norm(some, axis=1, keepdims=True)).clip(0, 255)
    return directions, codes.astype(np.uint8)


def look_at(press: Press, number: int) -> Look | None:
    """What a camera would keep of the view."""
    rng = np.random.default_rng([number, 5])
    if press.odd == "no picture":
        return None
    directions, codes = world(100 + number if press.odd == "far off" or press.marker else press.place)
    size = np.array((HEIGHT, WIDTH) if press.lying else (WIDTH, HEIGHT), dtype=np.float64)
    focal_px = (press.focal_mm or 50.0) / SENSOR_MM * WIDTH
    seen = directions @ pose_matrix(math.radians(press.yaw), math.radians(press.pitch), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        points = focal_px * seen[:, :2] / seen[:, 2:] + (size - 1.0) / 2.0
    inside = (seen[:, 2] > 0.1) & np.all((points >= 0.0) & (points < size), axis=1)
    own = np.flatnonzero(inside)[: 6 if press.odd == "plain" else 120]
    kind, strength = MARKERS.get(press.marker, ("scene", 0.02))
    return Look(
        (points[own] + rng.normal(0.0, 0.3, (len(own), 2))).astype(np.float32),
        codes[own],
        1.0,
        True,
        MarkerLook(kind, strength, ""),
        0.4,
        press.marker == "ground",
    )


def card_of(presses: list[Press]) -> Card:
    """The shots as read, by place on the card; a body a folder, counters that run over."""
    shots: list[tuple[Shot, int]] = []
    now = 0.0
    for k, press in enumerate(presses):
        now += press.pause_s
        long, short = HEIGHT, WIDTH
        metadata = Metadata(
            long, short, orientation=1 if press.lying else 8, make="Quenlith", model="Q24",
            serial=BODIES[press.body], lens="Ilvane", focal_mm=press.focal_mm,
            focal_plane_px_per_mm=short / SENSOR_MM, exposure_s=0.01 * 2.0**press.ev, f_number=8.0, iso=100.0,
            taken=None if press.odd == "no time" else NOON + timedelta(seconds=now),
        )  # fmt: skip
        name = f"DCIM/10{press.body}QUENL/VH_{(9990 + k) % 9999 + 1:04d}.JPG"
        shots.append((Shot(Exposure(Path(name), metadata), None, name, counter_of(Path(name).stem)), k))
    return Card(Path("card"), tuple(shot for shot, _ in sorted(shots, key=lambda pair: pair[0].place)))


def looks_of(card: Card, presses: list[Press]) -> Callable[[int, Depth], Look | None]:
    number = {
        shot: k for k, shot in enumerate(sorted(range(len(presses)), key=lambda k: name_of(presses, k)))
    }
    press_of = {place: k for k, place in number.items()}

    def look(i: int, depth: Depth) -> Look | None:
        k = press_of[i]
        if presses[k].odd == "unreadable" and depth != "close":
            raise UnreadableFile(card.shots[i].exposure.file, "is cut short")
        same = k - 1 if presses[k].odd == "again" and k else k
        return look_at(replace(presses[same], odd=presses[same].odd), same)

    return look


def name_of(presses: list[Press], k: int) -> str:
    return f"DCIM/10{presses[k].body}QUENL/VH_{(9990 + k) % 9999 + 1:04d}.JPG"


def places(found: SortedCard) -> list[str]:
    apart = [entry.file for entry in (*found.markers, *found.strays, *found.unreadable)]
    return sorted([*apart, *(file for one in found.series for file in files_of(one))])


def backwards(function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
    """Results in the order of the jobs, which are done from the last to the first."""
    return iter([function(job) for job in reversed(list(jobs))][::-1])


def holds(card: Card, found: SortedCard) -> None:
    """Whatever the card: every shot is in one place, and the document can be read again."""
    assert places(found) == sorted(shot.place for shot in card.shots)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "series.json"
        file.write_bytes(series_bytes(found))
        assert read_series(file) == found
    assert all(entry.why for entry in (*found.series, *found.markers, *found.strays, *found.unreadable))
    for one in found.series:
        assert len(one.frames) >= 1
        assert not one.brackets or len({len(pose) for pose in one.brackets}) == 1


@settings(max_examples=25, deadline=None, derandomize=True, database=None)
@given(CARDS)
def test_no_shot_of_any_card_is_lost_or_listed_twice(presses: list[Press]) -> None:
    card = card_of(presses)
    look = looks_of(card, presses)
    found = sort_card(card, look)
    holds(card, found)
    assert series_bytes(sort_card(card, look, run=backwards)) == series_bytes(found)


@settings(max_examples=12, deadline=None, derandomize=True, database=None)
@given(CARDS, st.data())
def test_no_word_loses_a_shot(presses: list[Press], data: st.DataObject) -> None:
    card = card_of(presses)
    files = [shot.place for shot in card.shots]
    if not files:
        return
    some = data.draw(st.lists(st.sampled_from(files), max_size=8, unique=True))
    said = data.draw(
        st.lists(st.sampled_from(("split", "join", "marker", "not", "out", "name")), min_size=8, max_size=8)
    )
    by = {key: [f for f, s in zip(some, said, strict=False) if s == key] for key in set(said)}
    joins = by.get("join", [])
    word = SeriesWord(
        split_before=tuple(by.get("split", ())),
        join=tuple(zip(joins[::2], joins[1::2], strict=False)),
        marker=tuple(by.get("marker", ())),
        not_marker=tuple(by.get("not", ())),
        leave_out=tuple(by.get("out", ())),
        names={f: f"Harbour {k}" for k, f in enumerate(by.get("name", ()))},
    )
    look = looks_of(card, presses)
    found = sort_card(card, look, word)
    holds(card, found)
    with ThreadPoolExecutor(2) as threads:
        assert series_bytes(sort_card(card, look, word, run=threads.map)) == series_bytes(found)


def test_an_invented_row_is_found_as_a_row() -> None:
    """The looks are as good as real ones: or nothing above would mean much."""
    presses = [Press(17.0 * c, pause_s=4.0) for c in range(8)]
    presses = [Press(marker="hand"), *presses, Press(17.0 * 7, marker="hand", pause_s=8.0)]
    presses[4] = replace(presses[4], odd="far off")  # where others have markers too, this is none
    card = card_of(presses)
    found = sort_card(card, looks_of(card, presses))
    assert [len(one.frames) for one in found.series] == [7]
    assert found.series[0].missing == ((0, 3),)
    assert len(found.markers) == 2
    assert len(found.strays) == 1
