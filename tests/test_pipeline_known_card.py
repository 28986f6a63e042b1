"""Another card with files of the same names where one was mounted: noticed, told, and nothing mixed."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from belvedere.capture.card import read_card
from belvedere.cli.main import run
from belvedere.demo.sets import render_set
from belvedere.pipeline.known_card import is_known_card, known_by
from belvedere.survey.sorting.series_file import read_series

FOLDER = "DCIM/100DEMO"


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cards with files of the same names: "first" and, shot on another day, "second"."""
    root = tmp_path_factory.mktemp("shelf")
    for name, seed, started_s in (("first", 0, 0.0), ("second", 5, 400_000.0)):
        folder = root / name / FOLDER
        render_set("row", folder, megapixels=0.15, columns=3, yaw_deg=-50.0, seed=seed, started_s=started_s)
        (folder / "truth.json").unlink()
    return root


def mount(shelf: Path, name: str, where: Path) -> None:
    shutil.rmtree(where, ignore_errors=True)
    shutil.copytree(shelf / name, where)


def refused(capsys: pytest.CaptureFixture[str], arguments: list[str], words: str) -> None:
    capsys.readouterr()
    assert run(arguments) == 2
    told = capsys.readouterr().err
    assert re.search(words, told), told


def test_another_card_at_the_same_place_is_not_taken_for_the_first(
    shelf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card, out, word = tmp_path / "card", tmp_path / "a.json", tmp_path / "a.word.json"
    mount(shelf, "first", card)
    sort = ["sort", str(card), "--out", str(out), "--quiet"]
    assert run(sort) == 0
    first = out.read_bytes()
    assert run(sort) == 0
    assert out.read_bytes() == first
    mount(shelf, "second", card)
    words = "is the sorting of another card .*3 files have the same names, but other sizes or times"
    refused(capsys, sort, words)
    assert out.read_bytes() == first
    stitch = ["stitch", str(out), "--series", "01-50mm", "--preview", "--out", str(tmp_path / "a.tif")]
    refused(capsys, stitch, "is another card than the one that a.json sorts.*Put the right card in")
    assert not list(tmp_path.glob("a.*tif"))
    word.write_text(json.dumps({"schema": "belvedere.series.word/1", "leave_out": ["VH_1001.JPG"]}))
    refused(capsys, [*sort, "--replace"], "a.word.json: is your word on another card")
    assert out.read_bytes() == first
    word.unlink()
    assert run([*sort, "--replace"]) == 0
    assert out.read_bytes() != first
    assert read_series(out).copies is None


def test_a_card_is_known_again_by_any_of_its_files(shelf: Path, tmp_path: Path) -> None:
    card = tmp_path / "card"
    mount(shelf, "first", card)
    known = known_by(read_card(card))
    assert [k.file for k in known] == [f"{FOLDER}/VH_100{n}.JPG" for n in (1, 2, 3)]
    assert all(k.taken and k.bytes for k in known)
    frames = [card / k.file for k in known]
    frames[0].write_bytes(frames[0].read_bytes() + b"edited")
    frames[1].unlink()
    assert is_known_card(card, known) is True
    frames[2].write_text("no picture")
    assert is_known_card(card, known) is False
    shutil.copy(shelf / "second" / FOLDER / "VH_1001.JPG", frames[0])
    assert is_known_card(card, known) is False
    assert is_known_card(shelf, known) is None


def test_files_by_which_a_card_is_known_are_few_and_spread_over_it(shelf: Path) -> None:
    card = read_card(shelf / "first")
    many = type(card)(card.root, tuple(card.shots[k % 3] for k in range(500)))
    assert len(known_by(many)) == 12
    assert known_by(type(card)(card.root, ())) == ()


def test_a_sorting_without_such_files_is_known_by_names(
    shelf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card, out = tmp_path / "card", tmp_path / "a.json"
    mount(shelf, "first", card)
    sort = ["sort", str(card), "--out", str(out), "--quiet"]
    assert run(sort) == 0
    document = json.loads(out.read_text())
    del document["known_by"]
    out.write_text(json.dumps(document))
    assert run(sort) == 0
    assert len(read_series(out).known_by) == 3
