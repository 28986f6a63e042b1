"""`series.word.json`: what the photographer says, looked up, and every way of saying it wrongly."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from belvedere.capture.card import Card, Shot
from belvedere.capture.frame import Exposure, Metadata
from belvedere.errors import UnreadableFile
from belvedere.pipeline.heed_series import heed_series_word, unheeded
from belvedere.survey.sorting.series_word import (
    SCHEMA,
    SeriesWord,
    WordDocument,
    read_series_word,
    series_word_path,
)
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard

ROOT = Path("/media/card")
DOC = Path(__file__).parents[1] / "docs" / "sorting.md"


def shot(place: str, twin: str | None = None) -> Shot:
    exposure = Exposure(ROOT / place, Metadata(6000, 4000))
    return Shot(exposure, None if twin is None else ROOT / twin, place, None)


CARD = Card(
    ROOT,
    (
        *(shot(f"DCIM/100DEMO/VH_{k:04d}.JPG", f"DCIM/100DEMO/VH_{k:04d}.DNG") for k in range(1, 35)),
        shot("DCIM/101DEMO/VH_0020.JPG"),
    ),
    (("DCIM/101DEMO/VH_0099.JPG", "is empty"),),
)


def path(number: int) -> str:
    return f"DCIM/100DEMO/VH_{number:04d}.JPG"


def word(tmp_path: Path, **keys: object) -> SeriesWord:
    file = tmp_path / "series.word.json"
    file.write_text(json.dumps({"schema": SCHEMA, **keys}), encoding="utf-8")
    return heed_series_word(read_series_word(file), file, CARD)


def test_the_word_lies_beside_what_it_overrules() -> None:
    assert series_word_path(Path("a/autumn.json")) == Path("a/autumn.word.json")


def test_the_documented_example_says_all_there_is_to_say(tmp_path: Path) -> None:
    text = DOC.read_text(encoding="utf-8").partition("## Overruling")[2]
    example = re.search(r"```json\n(.*?)```", text, re.DOTALL)
    assert example is not None
    said = json.loads(example[1])
    assert set(said) == set(WordDocument.__struct_encode_fields__)
    said.pop("schema")
    assert word(tmp_path, **said) == SeriesWord(
        split_before=(path(7),),
        join=((path(21), path(31)),),
        marker=(path(12),),
        not_marker=(path(20),),
        leave_out=(path(3),),
        names={path(21): "harbour"},
    )


def test_a_word_that_says_nothing_is_a_word(tmp_path: Path) -> None:
    assert word(tmp_path) == SeriesWord()


def test_a_raw_file_stands_for_its_picture_and_three_are_joined(tmp_path: Path) -> None:
    found = word(tmp_path, join=[["VH_0001.DNG", "VH_0002.JPG", "100DEMO/VH_0003.DNG"]])
    assert found.join == ((path(1), path(2)), (path(1), path(3)))


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"marker": ["VH_0077.JPG"]}, "marker: VH_0077.JPG: no file on the card has this name"),
        (
            {"marker": ["VH_0020.JPG"]},
            r"marker: VH_0020.JPG: 2 files have this name: DCIM/100DEMO/VH_0020.JPG, ",
        ),
        ({"leave_out": ["VH_0099.JPG"]}, "leave_out: VH_0099.JPG: cannot be read"),
        ({"join": [["VH_0001.JPG"]]}, r"join\[0\]: needs 2 or more entries"),
        ({"join": [["VH_0001.JPG", "VH_0078.JPG"]]}, r"join\[0\]: VH_0078.JPG: no file"),
        ({"marker": "VH_0001.JPG"}, "marker: needs a list, has a text"),
        ({"marker": [""]}, r"marker\[0\]: is empty"),
        ({"markers": []}, "markers: there is no such key; there are schema, split_before, join"),
        ({"names": {"VH_0001.JPG": "a/b"}}, 'names: "a/b" holds "/"'),
        ({"names": {"VH_0001.JPG": 3}}, "names.*: needs a text, has a whole number"),
        (
            {"names": {"VH_0001.JPG": "quay", "VH_0030.JPG": "Quay"}},
            "names: .*is given to .*0001.* and to .*0030",
        ),
        (
            {"marker": ["VH_0001.JPG"], "leave_out": ["VH_0001.JPG"]},
            "marker: .*0001.*: stands in leave_out too",
        ),
        ({"not_marker": ["VH_0001.JPG"], "marker": ["VH_0001.DNG"]}, "not_marker: .*stands in marker too"),
        (
            {"split_before": ["VH_0001.JPG"], "marker": ["VH_0001.JPG"]},
            "split_before: .*stands in marker too",
        ),
        ({"schema": "belvedere.word/1"}, 'schema: has "belvedere.word/1", but this version reads'),
    ],
)
def test_a_word_that_cannot_be_followed_is_told_by_its_key(
    tmp_path: Path, keys: dict[str, object], words: str
) -> None:
    with pytest.raises(UnreadableFile, match=words) as error:
        word(tmp_path, **keys)
    assert str(error.value).startswith(str(tmp_path / "series.word.json"))
    assert "\n" not in str(error.value)


def test_many_faults_are_told_together(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match=r"; and 3 more$"):
        word(tmp_path, marker=[f"nothing{k}.JPG" for k in range(7)])


def test_what_changed_nothing_is_said() -> None:
    series = Series(name="quay", frames=(path(1), path(2)), rows=((path(1), path(2)),))
    card = SortedCard(card=str(ROOT), series=(series,), markers=(SetApart(path(5), "dark"),))
    heard = SeriesWord((path(1),), ((path(1), path(2)),), (path(7),), (), (), {path(2): "quay"})
    assert list(unheeded(heard, card)) == []
    deaf = SeriesWord((path(2),), ((path(1), path(5)),), (path(5),), (), (), {path(5): "tower"})
    said = list(unheeded(deaf, card))
    assert [sentence.split(":")[0].removeprefix("your word ") for sentence in said] == [
        "split_before", "join", "not_marker", "names",
    ]  # fmt: skip
