"""The command from end to end: what it prints, its exit codes, and how following a folder ends."""

from __future__ import annotations

import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from belvedere.cli.main import run
from belvedere.demo.sets import render_set
from belvedere.optics.sensor import Sensor
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.plan_file import plan_bytes, read_plan
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.view import View
from belvedere.survey.sorting.series_file import series_bytes
from belvedere.survey.sorting.sorted_card import Series, SortedCard

COMMAND = [sys.executable, "-m", "belvedere.cli"]


@pytest.fixture(scope="module")
def row(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clean row, never changed by a test."""
    folder = tmp_path_factory.mktemp("möwen & küste") / "row"
    render_set("row", folder, megapixels=0.2, columns=4)
    return folder


def files(row: Path) -> list[Path]:
    return sorted(row.glob("*.JPG"))


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    code = run(["check", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


def test_a_complete_set_is_said_in_the_first_line(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, row)
    assert (code, err) == (0, "")
    assert out.startswith("Complete: 4 frames in one row, ")
    assert len(out.splitlines()) <= 24  # one screen


def test_what_to_shoot_again_is_exit_code_3(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, *files(row)[:2], files(row)[3])
    assert code == 3
    assert out.startswith("Shoot again: ")


def test_unusable_is_exit_code_2(row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, files(row)[0])
    assert code == 2
    assert out.startswith("Unusable: ")
    assert said(capsys, tmp_path)[0] == 2


def test_json_goes_alone_to_standard_output(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, row, "--json")
    document = json.loads(out)
    assert (code, document["exit_code"], document["schema"]) == (0, 0, "belvedere.check/1")
    assert document["frames"] == [f.name for f in files(row)]


def test_quiet_says_nothing_unless_something_is_wrong(row: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert said(capsys, row, "--quiet") == (0, "", "")
    code, out, err = said(capsys, files(row)[0], "--quiet")
    assert (code, out) == (2, "")
    assert err.startswith("Unusable")


def test_a_series_of_a_sorted_card(row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    names = tuple(f.name for f in files(row))

    def series(name: str) -> Series:
        return Series(name=name, frames=names, rows=(names,), why="", confidence=1.0)

    one = SortedCard(card=str(row), series=(series("01-50mm"),))
    (tmp_path / "series.json").write_bytes(series_bytes(one))
    assert said(capsys, tmp_path / "series.json")[0] == 0
    assert said(capsys, tmp_path / "series.json", "--series", "01-50mm")[0] == 0
    code, _, err = said(capsys, tmp_path / "series.json", "--series", "harbour")
    assert code == 2
    assert "there are 01-50mm" in err


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A row shot by a plan, its third stop forgotten, and the plan."""
    folder = tmp_path_factory.mktemp("planned")
    view = View(*(math.radians(a) for a in (-45.0, 45.0, -15.0, 15.0)))
    plan = plan_grid(view, Sensor(36.0, 24.0, 6000, 4000), 50.0, GridAsked(head=Head(math.radians(2.5))))
    (folder / "plan.json").write_bytes(plan_bytes(plan))
    step, count = math.degrees(plan.rows[0].step), plan.frames
    render_set("row", folder / "row", megapixels=0.2, columns=count, step_deg=step, omit=((0, 2),))
    return folder / "row", folder / "plan.json"


def test_a_stop_of_the_plan_that_was_not_shot_is_named(
    planned: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    frames, plan = planned
    code, out, _ = said(capsys, frames, "--plan", plan)
    assert code == 3
    assert out.startswith("Shoot again: stop 3 of the plan is not shot: turn ")
    stop = read_plan(plan).stops()[2]
    assert f"click {stop.yaw_clicks}" in " ".join(out.split())
    document = json.loads(said(capsys, frames, "--plan", plan, "--json")[1])
    missing = [f for f in document["findings"] if f["kind"] == "missing"]
    assert [f["numbers"]["stop"] for f in missing] == [3.0]
    assert document["findings"][-1]["kind"] == "plan"


@pytest.mark.parametrize(
    "content", ["", "{", "[]", '{"schema": "belvedere.plan/1"}', '{"schema": "other/1"}']
)
def test_a_plan_that_cannot_be_read_is_one_line(
    row: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str
) -> None:
    (tmp_path / "plan.json").write_text(content)
    code, out, err = said(capsys, row, "--plan", tmp_path / "plan.json")
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert "plan.json: " in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{row}", "--plan", "{row}/nowhere.json"], "nowhere.json"),
        (["{row}", "--overlap", "2"], "--overlap 2: needs 5 to 90"),
        (["{row}", "--overlap", "nan"], "--overlap nan"),
        (["{row}", "--ground", "-1"], "--ground -1"),
        (["{row}", "--workers", "0"], "--workers 0"),
        (["{row}", "--memory", "lots"], "--memory"),
        (["{row}", "--memory", "20MB"], "too low"),
        (["{row}", "--series", "a"], "--series needs"),
        (["{row}", "--work", "{row}/nowhere"], "nowhere"),
        (["{row}/nowhere"], "is not there"),
        (["{row}/nowhere.json"], "nowhere.json"),
        (["{row}/truth.json"], "truth.json"),
        (["{row}/VH_1001.JPG", "--watch"], "--watch follows one folder"),
        (["{row}/nowhere", "--watch"], "--watch follows one folder"),
        (["{row}/truth.json", "--watch"], "--watch follows a folder"),
    ],
)
def test_what_cannot_be_followed_is_one_line(
    row: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    code, out, err = said(capsys, *(a.replace("{row}", str(row)) for a in arguments))
    assert (code, out) == (2, "")
    assert words in err
    assert len(err.splitlines()) == 1


def test_help_shows_examples_and_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "--help")
    assert code == 0
    for words in ("--watch", "examples:", "exit codes:", "  3    shoot again"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 110


def wait_for(what: str, read: Path, process: subprocess.Popen[bytes], seconds: float = 60.0) -> None:
    deadline = time.monotonic() + seconds
    while what not in read.read_text("utf-8", "replace"):
        assert process.poll() is None, read.read_text("utf-8", "replace")
        assert time.monotonic() < deadline, read.read_text("utf-8", "replace")
        time.sleep(0.1)


@pytest.mark.skipif(
    os.name != "posix" or signal.getsignal(signal.SIGINT) is signal.SIG_IGN,
    reason="sends an interrupt, which shells make background jobs pass over",
)
def test_following_ends_with_the_last_verdict_and_leaves_nothing(row: Path, tmp_path: Path) -> None:
    folder, work = tmp_path / "tethered", tmp_path / "work"
    folder.mkdir()
    work.mkdir()
    for file in files(row)[:2]:
        shutil.copy(file, folder)
    out = tmp_path / "out"
    with out.open("wb") as stream:
        command = [*COMMAND, "check", str(folder), "--watch", "--json", "--work", str(work)]
        process = subprocess.Popen(command, stdout=stream, stderr=subprocess.DEVNULL)
        try:
            wait_for("\n", out, process)
            for file in files(row)[2:]:
                shutil.copy(file, folder)
            wait_for(files(row)[3].name, out, process)
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 0
        finally:
            process.kill()
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert len(lines[0]["frames"]) == 2
    assert len(lines[-1]["frames"]) == 4
    assert list(work.iterdir()) == []
