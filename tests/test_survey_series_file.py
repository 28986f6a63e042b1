"""`series.json`: written and read back, and every way in which a file somebody edited may not fit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest

from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.series_file import read_series, series_bytes, why_no_folder_name
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard

A, B, C, D = (f"DCIM/100DEMO/VH_000{k}.JPG" for k in range(1, 5))

CARD = SortedCard(
    card="/media/card",
    series=(
        Series(
            name="01-50mm",
            frames=(A, B, C),
            rows=((B, A), (C,)),
            missing=((1, 1),),
            twins={A: "DCIM/100DEMO/VH_0001.DNG"},
            focal_mm=50.0,
            orientation="landscape",
            started="2026-11-25T09:14:00",
            ended="2026-11-25T09:15:30.250000",
            why="all 3 frames overlap their neighbours",
            confidence=0.97,
        ),
    ),
    markers=(SetApart(D, "a hand – nah am Objektiv"),),
)


def test_a_card_comes_back_as_it_was(tmp_path: Path) -> None:
    file = tmp_path / "series.json"
    file.write_bytes(series_bytes(CARD))
    assert read_series(file) == CARD
    assert series_bytes(CARD) == series_bytes(read_series(file))


def test_the_keys_are_those_of_the_schema() -> None:
    content = msgspec.json.decode(series_bytes(CARD))
    assert content["schema"] == "belvedere.series/1"
    assert {"series", "markers", "strays", "unreadable"} <= set(content)
    (series,) = content["series"]
    assert set(series) >= {
        "name", "frames", "rows", "missing", "brackets", "twins", "focal_mm", "orientation",
        "started", "ended", "why", "confidence",
    }  # fmt: skip
    assert series["rows"] == [[B, A], [C]]
    assert series["missing"] == [[1, 1]]
    assert content["markers"] == [{"file": D, "why": "a hand – nah am Objektiv"}]


def test_keys_of_later_versions_are_passed_over(tmp_path: Path) -> None:
    content = msgspec.json.decode(series_bytes(CARD))
    content["mood"] = "calm"
    content["series"][0]["tide"] = 3
    file = tmp_path / "series.json"
    file.write_bytes(b"\xef\xbb\xbf" + msgspec.json.encode(content))
    assert read_series(file) == CARD


def bracketed(content: dict[str, Any]) -> None:
    content["series"][0]["brackets"] = [[A, D], [B]]


def in_two_places(content: dict[str, Any]) -> None:
    content["strays"] = [{"file": B, "why": "is askew"}]


def twice_the_name(content: dict[str, Any]) -> None:
    other = {
        **content["series"][0],
        "name": "01-50MM",
        "frames": [D],
        "rows": [[D]],
        "missing": [],
        "twins": {},
    }
    content["series"].append(other)
    content["markers"] = []


def put(key: str, value: object) -> Any:
    def change(content: dict[str, Any]) -> None:
        content["series"][0][key] = value

    change.__name__ = f"{key} is {value}"
    return change


FAULTS = [
    (put("name", "a/b"), r'series\[0\].name: "a/b" holds "/", so it cannot name a folder'),
    (put("name", ".."), r"series\[0\].name: .*dot"),
    (put("name", 7), r"series\[0\].name: needs a text, has a whole number"),
    (twice_the_name, r"series\[0\].name: .* is the name of two series"),
    (put("rows", [[A, B], [D]]), r"series\[0\].rows: .*VH_0004.* is none of the series' frames"),
    (put("rows", [[A, B]]), r"series\[0\].rows: need each of the series' frames once"),
    (put("frames", []), r"series\[0\].frames: is empty"),
    (put("missing", [[2, 0]]), r"series\[0\].missing\[0\]: there is no row 2"),
    (put("missing", [[1, 5_000_000]]), r"series\[0\].missing\[0\]: there is no column 5000000"),
    (put("missing", [[-1, 0]]), r"series\[0\].missing.*: needs a number of at least 0"),
    (put("confidence", 1.5), r"series\[0\].confidence: needs a number of at most 1"),
    (put("orientation", "askew"), r"series\[0\].orientation: has 'askew'"),
    (put("twins", {D: "a.DNG"}), r"series\[0\].twins: .*VH_0004.* is no frame of the series"),
    (put("twins", {A: "../../a.DNG"}), r'series\[0\].twins: "../../a.DNG" is no path under the card'),
    (put("frames", ["/etc/passwd", B, C]), r"series\[0\]"),
    (bracketed, r"series\[0\].brackets: need one list for each frame"),
    (in_two_places, r"VH_0002.JPG.: stands in two places"),
    (lambda c: c.pop("card"), "card: is missing"),
    (
        lambda c: c.update(schema="belvedere.series/9"),
        r'schema: has "belvedere.series/9", but this version reads',
    ),
    (
        lambda c: c.update(markers=[{"file": "../x.jpg", "why": ""}]),
        r"markers\[0\].file: .* is no path under",
    ),
]


@pytest.mark.parametrize(("change", "words"), FAULTS)
def test_a_file_that_does_not_fit_is_told_by_its_key(tmp_path: Path, change: Any, words: str) -> None:
    content = msgspec.json.decode(series_bytes(CARD))
    change(content)
    file = tmp_path / "series.json"
    file.write_bytes(msgspec.json.encode(content))
    with pytest.raises(UnreadableFile, match=words) as error:
        read_series(file)
    assert str(error.value).startswith(str(file))
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is no JSON"),
        (b'{"schema": "belvedere.series/1",\n "card"', "at line 2"),
        (b"[1]", "needs an object"),
        (b"\xff\xfe\x00", "is no JSON"),
        (b'{"frames": []}', "schema: is missing"),
    ],
)
def test_a_file_that_is_no_document_is_told(tmp_path: Path, data: bytes, words: str) -> None:
    file = tmp_path / "series.json"
    file.write_bytes(data)
    with pytest.raises(UnreadableFile, match=words):
        read_series(file)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_series(tmp_path / "series.json")


@pytest.mark.parametrize("name", ["01-50mm", "Küste früh", "quay 2", "港"])
def test_names_people_give_are_folder_names(name: str) -> None:
    assert why_no_folder_name(name) is None


@pytest.mark.parametrize("name", ["", " ", "a\nb", "nul", "COM1.x", "x.", ".x", " x", "a:b", "x" * 101, "\0"])
def test_names_no_folder_can_have_are_refused(name: str) -> None:
    assert why_no_folder_name(name) is not None
