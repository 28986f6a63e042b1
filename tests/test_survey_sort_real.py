"""Real photographs mixed into one card: sets that hang together, hands, and what is neither."""

from __future__ import annotations

import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from belvedere.capture.card import read_card
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard
from survey_sets import data, looks_of

STRANGER = "bk-and-manhattan-bridge-3.jpg"
ROWS = {  # SOURCES.md of the photographs, top to bottom and left to right
    "cathedral-corner-two-rows": ["6 3 1", "5 4 2"],
    "palace-front-two-rows": ["10 7 6 3 2", "11 9 8 5 4 1"],
    "gothic-front-three-rows": ["1302 1303", "1301 1300", "1298 1299"],
    "roofs-row": ["7355 7356 7357 7358"],
    "snow-ridge-180-row": ["6 5 4 3 2 1"],
    "park-row-no-exif": ["0 1 2 3 4 5 6 7"],
    "bridge-river-row": ["1 2 3"],
}


def mixed(root: Path) -> dict[str, Path]:
    """A card of all sets, a hand or something else between them, numbered on; place to original."""
    folder = root / "DCIM" / "100MIXED"
    folder.mkdir(parents=True)
    hands = sorted((data("markers") / "hand").iterdir())
    others = sorted((data("markers") / "not-hand").iterdir())
    files: list[Path] = []
    for frames in sorted(p for p in data("real").iterdir() if p.is_dir()):
        files += [hands.pop(0), *sorted(frames.iterdir(), key=lambda p: (len(p.name), p.name))]
        files += [others.pop(0)] if others else []
    files += [*hands, *others]
    out = {}
    for n, file in enumerate(files, start=9950):
        copy = folder / f"MIX_{n % 9999 or 9999:04d}{file.suffix.upper()}"
        try:
            os.link(file, copy)
        except OSError:
            shutil.copy(file, copy)
        out[copy.relative_to(root).as_posix()] = file
    return out


@pytest.fixture(scope="module")
def sorted_mix(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Path], SortedCard]:
    if not data("real").is_dir() or not data("markers").is_dir():
        pytest.skip("the real photographs are not beside the repository")
    pytest.importorskip("pi_heif", reason="one hand is a HEIF picture")
    root = tmp_path_factory.mktemp("mixed")
    originals = mixed(root)
    card = read_card(root)
    with ThreadPoolExecutor(2) as threads:
        return originals, sort_card(card, looks_of(card), run=threads.map)


def _number(name: str) -> str:
    """The number a photograph is called by in SOURCES.md."""
    digits = "".join(c if c.isdigit() else " " for c in Path(name).stem).split()
    return str(int(digits[-1])) if digits else name


def test_every_set_is_one_series(sorted_mix: tuple[dict[str, Path], SortedCard]) -> None:
    originals, found = sorted_mix
    wanted: dict[str, set[str]] = {}
    for place, file in originals.items():
        if file.parents[1].name == "real" and file.name != STRANGER:
            wanted.setdefault(file.parent.name, set()).add(place)
    assert sorted(map(sorted, (s.frames for s in found.series))) == sorted(map(sorted, wanted.values()))


def test_rows_of_real_sets_are_as_seen(sorted_mix: tuple[dict[str, Path], SortedCard]) -> None:
    originals, found = sorted_mix
    rows = {
        originals[s.frames[0]].parent.name: [
            " ".join(_number(originals[f].name) for f in row) for row in s.rows
        ]
        for s in found.series
    }
    assert {name: rows[name] for name in ROWS} == ROWS
    assert len(rows["dome-over-zenith"]) in (1, 10)
    (turn,) = rows["courtyard-dusk-360"]
    order = turn.split()
    first = order.index("1")
    assert order[first:] + order[:first] == [str(n) for n in range(1, 15)]
    assert all(s.missing == () for s in found.series)


def test_hands_black_frame_and_chart_are_the_markers(
    sorted_mix: tuple[dict[str, Path], SortedCard],
) -> None:
    originals, found = sorted_mix
    markers = {originals[m.file] for m in found.markers}
    wanted = {f for f in originals.values() if f.parent.name == "hand" or f.name[:5] in ("black", "colou")}
    assert len(wanted) == 13
    assert markers == wanted


def test_night_blue_white_and_the_stranger_are_strays(
    sorted_mix: tuple[dict[str, Path], SortedCard],
) -> None:
    originals, found = sorted_mix
    strays = {originals[s.file].name for s in found.strays}
    assert strays == {
        STRANGER,
        "dark-night-EX-S1.jpg",
        "plain-blue-A80.jpg",
        "overexposed-white-P1000240.JPG",
    }
