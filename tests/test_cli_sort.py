"""`belvedere sort`, and pictures made of what it found: what is written, what bad input gets, no harm."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from belvedere.cli.main import run
from belvedere.compose.report import read_report
from belvedere.demo.sets import render_set
from belvedere.pipeline.manifest import read_manifest
from belvedere.survey.sorting import look as look_module
from belvedere.survey.sorting.series_file import files_of, read_series
from belvedere.survey.sorting.sorted_card import SortedCard

COMMAND = [sys.executable, "-m", "belvedere.cli"]
FIRST, SECOND = "DCIM/100DEMO", "DCIM/101DEMO"


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file's content and time of change."""
    return {
        file.relative_to(folder).as_posix(): (file.read_bytes(), file.stat().st_mtime_ns)
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def places(card: SortedCard) -> list[str]:
    """Every file that a sorted card names as a shot or as unreadable, sorted."""
    apart = [entry.file for entry in (*card.markers, *card.strays, *card.unreadable)]
    return sorted([*apart, *(file for series in card.series for file in files_of(series))])


@pytest.fixture(scope="session")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rows of three frames, shot ten minutes apart, in two folders with the same names; never changed."""
    root = tmp_path_factory.mktemp("karte – früh") / "card"
    render_set("row", root / FIRST, megapixels=0.25, columns=3, yaw_deg=-50.0)
    render_set("row", root / SECOND, megapixels=0.25, columns=3, yaw_deg=60.0, focal_mm=85.0, started_s=600.0)
    for file in root.rglob("truth.json"):
        file.unlink()
    return root


@dataclass(frozen=True)
class Sorted:
    """A card with rubbish on it, sorted and copied in a fresh process, and what was said."""

    card: Path
    here: Path
    code: int
    said: str
    before: dict[str, tuple[bytes, int]]


@pytest.fixture(scope="session")
def done(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Sorted:
    folder = tmp_path_factory.mktemp("sorted")
    root, here = folder / "card", folder / "here"
    shutil.copytree(card, root)
    here.mkdir()
    frame = (root / FIRST / "VH_1001.JPG").read_bytes()
    (root / FIRST / "VH_1002.xmp").write_text("<edits/>")
    (root / SECOND / "VH_1900.JPG").write_bytes(frame[: len(frame) // 3])
    (root / SECOND / "VH_1901.JPG").write_text("no picture")
    (root / SECOND / "._VH_1001.JPG").write_text("hidden")
    Image.fromarray(np.zeros((480, 720, 3), np.uint8)).save(root / SECOND / "VH_1990.JPG")
    before = snapshot(root)
    command = [*COMMAND, "sort", str(root), "--into", "copies"]
    ran = subprocess.run(command, cwd=here, capture_output=True, encoding="utf-8", check=False)
    return Sorted(root, here, ran.returncode, ran.stdout + ran.stderr, before)


def fails(capsys: pytest.CaptureFixture[str], arguments: list[str], words: str) -> None:
    """The command makes nothing, and says why in one line."""
    capsys.readouterr()
    assert run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1, told.err
    assert re.search(words, told.err), told.err


# What comes out


def test_every_file_is_in_one_place_and_the_unreadable_are_named(done: Sorted) -> None:
    assert done.code == 3, done.said
    assert "Traceback" not in done.said
    found = read_series(done.here / "series.json")
    pictures = [p for p in done.before if p.endswith(".JPG") and "/._" not in p]
    assert places(found) == sorted(pictures)
    assert {entry.file for entry in found.unreadable} >= {f"{SECOND}/VH_1901.JPG"}
    assert [len(series.frames) for series in found.series] == [3, 3]
    assert [len(series.rows) for series in found.series] == [1, 1]
    assert Path(found.card) == done.card
    assert "edits are not applied" in done.said
    assert done.said.startswith("2 series, ")
    assert "VH_1901.JPG" in done.said


def test_the_card_is_as_it_was(done: Sorted) -> None:
    assert snapshot(done.card) == done.before


def test_copies_are_verified_and_listed(done: Sorted) -> None:
    found = read_series(done.here / "series.json")
    manifest = read_manifest(done.here / "copies")
    assert manifest is not None
    listed = {entry.file: entry.copy for entry in manifest.files}
    wanted = {file for series in found.series for file in files_of(series)} | {f"{FIRST}/VH_1002.xmp"}
    assert set(listed) == wanted
    for file, copied in listed.items():
        assert (done.here / "copies" / copied).read_bytes() == done.before[file][0]
    assert found.copies == str(done.here / "copies")
    assert "Copied 7 files" in done.said
    assert "On the card only: " in done.said


def test_the_contact_sheet_shows_every_frame_that_could_be_seen(done: Sorted) -> None:
    text = (done.here / "series.html").read_text(encoding="utf-8")
    found = read_series(done.here / "series.json")
    assert text.count("<img ") == len(places(found)) - len(found.unreadable)
    sides = [int(n) for n in re.findall(r'(?:width|height)="(\d+)"', text)]
    assert max(sides) <= 160


def test_the_same_card_gives_the_same_bytes(done: Sorted, tmp_path: Path) -> None:
    for workers in ("1", "3"):
        out = tmp_path / workers / "series.json"
        out.parent.mkdir()
        assert run(["sort", str(done.card), "--out", str(out), "--quiet", "--workers", workers]) == 3
    a, b = tmp_path / "1", tmp_path / "3"
    assert snapshot(a).keys() == snapshot(b).keys() == {"series.json", "series.html"}
    assert [v[0] for v in snapshot(a).values()] == [v[0] for v in snapshot(b).values()]


def test_quiet_says_nothing_and_progress_says_how_far(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ["--out", str(tmp_path / "series.json")]
    assert run(["sort", str(card), *out, "--quiet", "--into", str(tmp_path / "c")]) == 0
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "")
    assert run(["sort", str(card), *out, "--progress"]) == 0
    told = capsys.readouterr()
    assert re.search(r"reading the card: .*\nlooking at frames: ", told.err)
    assert read_series(tmp_path / "series.json").copies == str(tmp_path / "c")  # still known


def test_all_of_it_in_one_new_folder_can_be_taken_elsewhere(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, trip = tmp_path / "card", tmp_path / "trip"
    shutil.copytree(card, root)
    for _ in range(2):
        assert run(["sort", str(root), "--out", str(trip / "series.json"), "--into", str(trip)]) == 0
    shutil.rmtree(root)
    shutil.move(trip, tmp_path / "taken")
    file = str(tmp_path / "taken" / "series.json")
    out = ["--out", str(tmp_path / "a.tif"), "--preview", "--quiet"]
    assert run(["stitch", file, "--series", "02-85mm", *out]) in (0, 3)


# The photographer's word


def test_the_word_is_heeded_kept_and_never_written(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, word = tmp_path / "a.json", tmp_path / "a.word.json"
    word.write_text(
        json.dumps(
            {
                "schema": "belvedere.series.word/1",
                "leave_out": ["101DEMO/VH_1003.JPG"],
                "names": {"100DEMO/VH_1002.JPG": "harbour"},
            }
        )
    )
    before = snapshot(tmp_path)["a.word.json"]
    for _ in range(2):
        assert run(["sort", str(card), "--out", str(out)]) == 0
        found = read_series(out)
        assert found.series[0].name == "harbour"
        assert [entry.file for entry in found.strays] == [f"{SECOND}/VH_1003.JPG"]
    assert snapshot(tmp_path)["a.word.json"] == before
    capsys.readouterr()
    word.write_text(
        '{"schema": "belvedere.series.word/1", "split_before": ["100DEMO/VH_1001.JPG", "VH_7.JPG"]}'
    )
    held = snapshot(tmp_path)
    fails(
        capsys,
        ["sort", str(card), "--out", str(out)],
        "a.word.json: split_before: VH_7.JPG: no file on the card",
    )
    assert snapshot(tmp_path) == held


def test_a_word_that_changed_nothing_is_said(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a.word.json").write_text(
        json.dumps(
            {
                "schema": "belvedere.series.word/1",
                "leave_out": ["101DEMO/VH_1001.JPG"],
                "join": [["101DEMO/VH_1002.JPG", "101DEMO/VH_1001.JPG"]],
            }
        )
    )
    fails(capsys, ["sort", str(card), "--out", str(tmp_path / "a.json")], "join: .*stands in leave_out too")
    (tmp_path / "a.word.json").write_text(
        '{"schema": "belvedere.series.word/1", "split_before": ["100DEMO/VH_1001.JPG"]}'
    )
    assert run(["sort", str(card), "--out", str(tmp_path / "a.json")]) == 0


# What bad input gets


def test_cards_on_which_there_is_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = ["--out", str(tmp_path / "series.json")]
    empty, text, rubbish = tmp_path / "empty", tmp_path / "text.txt", tmp_path / "rubbish"
    (empty / "DCIM").mkdir(parents=True)
    text.touch()
    rubbish.mkdir()
    (rubbish / "a.jpg").write_text("no picture")
    fails(capsys, ["sort", str(tmp_path / "nowhere"), *out], "nowhere: is not there")
    fails(capsys, ["sort", str(text), *out], "is a file. Give the card")
    fails(capsys, ["sort", str(empty), *out], "there is no picture in this folder or the folders below it")
    fails(capsys, ["sort", str(rubbish), *out], "no picture that can be read. a.jpg: ")
    assert not (tmp_path / "series.json").exists()


def test_a_card_without_any_series_is_told_and_nothing_is_lost(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "card"
    root.mkdir()
    shutil.copy(card / FIRST / "VH_1001.JPG", root / "a.jpg")
    shutil.copy(card / SECOND / "VH_1001.JPG", root / "b.jpg")
    before = snapshot(root)
    out = tmp_path / "series.json"
    assert run(["sort", str(root), "--out", str(out), "--into", str(tmp_path / "copies")]) == 2
    told = capsys.readouterr()
    assert told.out.startswith("0 series, 0 markers, 2 set apart")
    assert re.search("no series: no two frames .* overlap", told.err)
    assert places(read_series(out)) == ["a.jpg", "b.jpg"]
    assert snapshot(root) == before
    assert not (tmp_path / "copies").exists()
    fails(capsys, ["stitch", str(out), "--all", "--out", str(tmp_path / "p")], "holds no series")


def test_places_where_nothing_may_be_written(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = snapshot(card)
    sort = ["sort", str(card), "--out"]
    fails(capsys, [*sort, str(card / "series.json")], "lies on the card, which is never written to")
    fails(capsys, [*sort, str(card / FIRST / "VH_1001.JPG")], "ends in .json")
    fails(capsys, [*sort, str(tmp_path / "no" / "series.json")], "there is no folder")
    fails(capsys, [*sort, str(tmp_path)], "this is a folder")
    fails(capsys, [*sort, str(tmp_path / "series.word.json")], "yours alone")
    good = str(tmp_path / "series.json")
    fails(capsys, [*sort, good, "--into", str(card / "copies")], "lies on the card")
    fails(capsys, [*sort, good, "--into", str(tmp_path / "no" / "copies")], "there is no folder")
    monkeypatch.chdir(card)
    fails(capsys, ["sort", "."], "lies on the card.*--out")
    assert snapshot(card) == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder that even root may not write to")
def test_a_folder_that_takes_no_file(card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fails(capsys, ["sort", str(card), "--out", "/proc/self/series.json"], "/proc/self")
    good = str(tmp_path / "series.json")
    fails(capsys, ["sort", str(card), "--out", good, "--into", "/proc/self/copies"], "/proc/self")
    assert list(tmp_path.iterdir()) == []


def test_files_that_were_not_made_of_this_card_stay(
    card: Path, done: Sorted, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, sheet = tmp_path / "series.json", tmp_path / "series.html"
    sort = ["sort", str(card), "--quiet", "--out", str(out)]
    out.write_text('{"diary": 1}')
    fails(capsys, sort, r"is no sorting that can be read.*--replace")
    assert out.read_text() == '{"diary": 1}'
    out.unlink()
    sheet.write_text("<p>a diary")
    fails(capsys, sort, "series.html: is there already and is no contact sheet of Belvedere's")
    assert sheet.read_text() == "<p>a diary"
    sheet.unlink()
    other = tmp_path / "other"
    shutil.copytree(card / FIRST, other / "DCIM" / "777DEMO")
    assert run(["sort", str(other), "--quiet", "--out", str(out)]) == 0
    fails(capsys, sort, "is the sorting of another card")
    assert run([*sort, "--replace"]) == 0
    assert run(sort) == 0  # the same card again
    moved = tmp_path / "elsewhere"
    shutil.copytree(card, moved)
    assert run(["sort", str(moved), "--quiet", "--out", str(out)]) == 0  # the same, wherever it is mounted


def test_a_card_pulled_out_while_it_is_looked_at(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    root = tmp_path / "card"
    shutil.copytree(card, root)
    plain = look_module.reduced_look

    def pulled(exposure: object, *, long_side: int) -> object:
        shutil.rmtree(root, ignore_errors=True)
        return plain(exposure, long_side=long_side)  # type: ignore[arg-type]

    monkeypatch.setattr(look_module, "reduced_look", pulled)
    fails(
        capsys,
        ["sort", str(root), "--out", str(tmp_path / "a.json")],
        "If the card was pulled out, put it back",
    )
    assert not (tmp_path / "a.json").exists()


@pytest.mark.skipif(os.name != "posix", reason="needs a signal that a test can send")
def test_ctrl_c_is_clean(card: Path, tmp_path: Path) -> None:
    root = tmp_path / "card"
    for k in range(8):
        shutil.copytree(card, root / f"{k}")
    command = [*COMMAND, "sort", str(root), "--progress", "--out", str(tmp_path / "a.json")]
    running = subprocess.Popen(
        command,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    assert running.stderr is not None
    said = ""
    while "looking at frames" not in said:
        line = running.stderr.readline()
        assert line, said
        said += line
    time.sleep(0.1)
    running.send_signal(signal.SIGINT)
    _, rest = running.communicate(timeout=60)
    assert running.returncode == 130, said + rest
    assert "Traceback" not in said + rest
    assert [file.name for file in tmp_path.iterdir()] == ["card"]


def test_options_that_cannot_be_followed(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fails(capsys, ["sort", str(card), "--workers", "0"], "--workers 0: needs at least 1")
    fails(capsys, ["sort"], "required: CARD.*--help")
    fails(capsys, ["sort", str(card), "--quiet", "--progress"], "not allowed with.*--help")


# Pictures of series


def test_a_series_is_stitched_in_the_order_shot_without_what_is_set_apart(
    done: Sorted, tmp_path: Path
) -> None:
    found = read_series(done.here / "series.json")
    name = found.series[1].name
    out = tmp_path / "second.tif"
    file = str(done.here / "series.json")
    assert run(["stitch", file, "--series", name, "--out", str(out), "--quiet", "--preview"]) in (0, 3)
    report = read_report(tmp_path / "second.report.json")
    assert [frame.file for frame in report.frames] == [f"VH_100{k}.JPG" for k in (1, 2, 3)]
    assert (tmp_path / "second.preview.jpg").is_file()


def test_all_series_are_stitched_from_the_copies_once_the_card_is_away(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "card"
    shutil.copytree(card, root)
    file = str(tmp_path / "series.json")
    assert run(["sort", str(root), "--out", file, "--into", str(tmp_path / "copies"), "--quiet"]) == 0
    shutil.move(root, tmp_path / "away")
    stitch = ["stitch", file, "--all", "--preview", "--out", str(tmp_path / "pictures")]
    assert run(stitch) in (0, 3)
    made = sorted(f.name for f in (tmp_path / "pictures").glob("*.jpg"))
    assert made == ["01-50mm.preview.jpg", "02-85mm.preview.jpg"]
    shutil.rmtree(tmp_path / "copies" / "01-50mm")
    capsys.readouterr()
    assert run(stitch) == 3  # one of the two
    told = capsys.readouterr()
    assert re.search(
        "01-50mm: its 3 frames are not in .*card, nor among copies in .*Put the card in", told.err
    )
    shutil.rmtree(tmp_path / "copies")
    shutil.move(tmp_path / "away", root)
    assert run(stitch) in (0, 3)


def test_what_cannot_be_meant_of_a_sorted_card(
    done: Sorted, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(done.here / "series.json")
    out = ["--out", str(tmp_path / "a.tif")]
    fails(
        capsys,
        ["stitch", file, *out],
        r"say which series with --series NAME, or --all. There are 01-50mm, 02-85mm",
    )
    fails(capsys, ["stitch", file, "--series", "quay", *out], "no series is called “quay”; there are 01-50mm")
    fails(capsys, ["stitch", file, "--all", *out], "with --all, give a folder")
    fails(capsys, ["stitch", file, "--all", "--series", "a", *out], "not allowed with")
    fails(capsys, ["stitch", str(done.card), "--all", *out], "need the series.json of a sorted card")
    fails(capsys, ["stitch", str(tmp_path / "no.json"), "--all", *out], "no.json: cannot be read")
    folder = ["--out", str(tmp_path / "pictures")]
    fails(
        capsys,
        ["stitch", file, "--all", "--leave-out", "VH_1001.JPG", *folder],
        "--leave-out: cannot be meant",
    )
    assert list(tmp_path.iterdir()) == []
