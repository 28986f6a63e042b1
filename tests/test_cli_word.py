"""The person's word from end to end: the file beside the picture is heeded, and never touched."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from belvedere.cli.main import run
from belvedere.compose.report import Report, read_report
from belvedere.demo.sets import render_set
from belvedere.pipeline.word import SCHEMA

MADE = (0, 3)  # a row of so few px may well be in doubt


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shot") / "row"
    render_set("row", folder, megapixels=0.25, columns=3, overlap=0.45)
    return folder


class Desk:
    """A folder to make a picture in."""

    def __init__(self, shot: Path, folder: Path) -> None:
        self.out, self.word = folder / "a.tif", folder / "a.word.json"
        self.names = sorted(file.name for file in shot.glob("*.JPG"))
        self._command = ["stitch", str(shot), "--out", str(self.out)]

    def say(self, **said: Any) -> str:
        self.word.write_text(json.dumps({"schema": SCHEMA, **said}))
        return hashlib.sha256(self.word.read_bytes()).hexdigest()

    def stitch(self, *more: str) -> int:
        return run([*self._command, *more])

    @property
    def report(self) -> Report:
        return read_report(self.out.with_name("a.report.json"))


@pytest.fixture
def desk(shot: Path, tmp_path: Path) -> Desk:
    return Desk(shot, tmp_path)


def test_the_word_beside_the_picture_is_heeded_reported_and_not_written(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    sha256 = desk.say(leave_out=[desk.names[2]])
    assert desk.stitch() in MADE
    report = desk.report
    assert report.word is not None
    assert (report.word.file, report.word.sha256) == ("a.word.json", sha256)
    assert [report.frames[i].file for i in report.left_out] == [desk.names[2]]
    assert "  your word 1 frame left out\n" in capsys.readouterr().out
    assert hashlib.sha256(desk.word.read_bytes()).hexdigest() == sha256
    # other bytes, the same meaning: nothing is made again, and the report names the file as it is now
    desk.word.write_text(json.dumps({"leave_out": [desk.names[2]], "schema": SCHEMA}, indent=2))
    assert desk.stitch() in MADE
    assert capsys.readouterr().out.startswith("Nothing to do")
    assert desk.report.word is not None
    assert desk.report.word.sha256 == hashlib.sha256(desk.word.read_bytes()).hexdigest() != sha256
    # another meaning: made again, from the alignment on
    desk.say()
    assert desk.stitch("--preview") in MADE
    assert desk.out.exists()
    assert desk.stitch() in MADE
    assert len(desk.report.used) == 3
    assert desk.report.word is not None
    assert desk.report.word.words == "nothing yet"


def test_another_word_may_be_named_and_a_fault_stops_before_anything_is_decoded(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.say(leave_out=["nobody.jpg"])
    assert desk.stitch() == 2
    said = capsys.readouterr()
    assert said.err.strip().endswith("a.word.json: leave_out: nobody.jpg: no frame has this name")
    assert len(said.err.splitlines()) == 1
    assert sorted(file.name for file in desk.out.parent.iterdir()) == ["a.word.json"]
    other = desk.word.with_name("other.json")
    other.write_text(json.dumps({"schema": SCHEMA, "keep": [desk.names[0]]}))
    assert desk.stitch("--word", str(other), "--preview", "--quiet") in MADE
    assert desk.report.word is not None
    assert desk.report.word.file == "other.json"
    assert desk.stitch("--word", str(desk.word.with_name("gone.json"))) == 2
    assert "gone.json: cannot be read" in capsys.readouterr().err


def test_order_is_the_order_of_the_report(desk: Desk) -> None:
    a, b, c = desk.names
    desk.say(order=[c, a])
    assert desk.stitch("--preview", "--quiet") in MADE
    report = desk.report
    assert [frame.file for frame in report.frames] == [c, b, a]
    assert [frame.column for frame in report.frames] == [2, 1, 0]


def test_a_changed_mask_moves_seams_and_nothing_before_them(desk: Desk, shot: Path) -> None:
    masks = desk.out.with_name("masks")
    masks.mkdir()
    with Image.open(shot / desk.names[1]) as frame:
        turned = frame.getexif().get(0x0112, 1) >= 5
        size = frame.size[::-1] if turned else frame.size
    mask = masks / Path(desk.names[1]).with_suffix(".png").name
    Image.new("L", size, 128).save(mask)
    desk.say(masks="masks")
    assert desk.stitch("--preview", "--quiet", "--keep-frames") in MADE
    assert not desk.report.unreadable
    kept = desk.out.with_name("a.work")
    before = {name: (kept / f"{name}.json").read_bytes() for name in ("frames", "alignment", "tone", "seams")}
    Image.fromarray(np.full(size[::-1], 255, dtype=np.uint8)).save(mask)
    assert desk.stitch("--preview", "--quiet", "--keep-frames") in MADE
    same = {name for name, data in before.items() if (kept / f"{name}.json").read_bytes() == data}
    assert same == {"frames", "alignment", "tone"}


def test_points_that_contradict_one_another_make_nothing_and_a_plumb_line_levels(
    desk: Desk, shot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Image.open(shot / desk.names[0]) as frame:
        width, height = sorted(frame.size)  # upright
    points = [
        [0.8 * width, 0.3 * height, 0.25 * width, 0.3 * height],
        [0.8 * width, 0.7 * height, 0.25 * width, 0],
    ]
    desk.say(tie_points=[{"a": desk.names[0], "b": desk.names[1], "points": points}])
    assert desk.stitch("--quiet") == 2
    assert f"between {desk.names[0]} and {desk.names[1]} contradict one another" in capsys.readouterr().err
    assert not desk.out.exists()
    line = {"frame": desk.names[1], "from": [200, 50], "to": [200, 500]}
    desk.say(plumb=[line], horizon=[{"frame": desk.names[0], "x": 30, "y": 250}])
    assert desk.stitch("--preview", "--quiet") in MADE
    assert desk.report.level.source == "person"
    assert "1 plumb line" in (desk.report.level.words or "")
