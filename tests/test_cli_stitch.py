"""The command from end to end: what comes out, what bad input gets, and that nobody's files are harmed."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import time
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import pytest
import tifffile
from PIL import Image

from belvedere.cli.arguments import DEMO_SETS, PROJECTIONS, parser
from belvedere.cli.main import run
from belvedere.compose.report import read_report
from belvedere.demo.sets import SETS, render_set
from belvedere.geometry import plate
from belvedere.pipeline.lock import held
from belvedere.pipeline.progress import Progress

FRAMES = 3
MADE = (0, 3)  # a row of so few px may well be in doubt
COMMAND = [sys.executable, "-m", "belvedere.cli"]


def digests(folder: Path) -> dict[str, str]:
    """What is in a folder, by name."""
    return {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(folder.iterdir())
        if file.is_file()
    }


@pytest.fixture(scope="session")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small row, never changed by a test."""
    folder = tmp_path_factory.mktemp("shot") / "row"
    render_set("row", folder, megapixels=0.4, columns=FRAMES)
    return folder


@dataclass(frozen=True)
class Card:
    """A folder of frames and of things that are none, the picture made of it, and what the command said."""

    folder: Path
    out: Path
    code: int
    said: str
    before: dict[str, str]


@pytest.fixture(scope="session")
def card(shot: Path, tmp_path_factory: pytest.TempPathFactory) -> Card:
    folder = tmp_path_factory.mktemp("möwen & küste") / "Serie 1 – früh"
    shutil.copytree(shot, folder)
    (frame, *_) = sorted(shot.glob("*.JPG"))
    data = frame.read_bytes()
    (folder / "cut short.JPG").write_bytes(data[: len(data) // 2])
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.JPG").write_text("no picture")
    (folder / "folder.jpg").mkdir()
    (folder / "bomb.png").write_bytes(bomb())
    if hasattr(os, "symlink"):
        (folder / "dangling.jpg").symlink_to(folder / "nowhere.jpg")
    before = digests(folder)
    out = folder.parent / "Küste früh.tif"
    command = [*COMMAND, "stitch", str(folder), "--out", str(out), "--memory", "700MiB", "--workers", "4"]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    return Card(folder, out, done.returncode, done.stdout + done.stderr, before)


def bomb() -> bytes:
    """A PNG of a few bytes that declares 3.6 gigapixels (ISO/IEC 15948, 5.3 and 11.2)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 60000, 60000, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return capsys.readouterr().err


def fails(capsys: pytest.CaptureFixture[str], arguments: list[str], words: str) -> None:
    """The command makes nothing, and says why in one line."""
    capsys.readouterr()
    assert run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1, told.err
    assert re.search(words, told.err), told.err
    assert "Traceback" not in told.err


# What comes out


def test_a_card_with_rubbish_on_it_gives_a_picture_and_names_the_rubbish(card: Card) -> None:
    assert card.code == 3, card.said
    assert "Traceback" not in card.said
    report = read_report(card.out.with_name("Küste früh.report.json"))
    assert len(report.used) == FRAMES
    names = {Path(file.file).name for file in report.unreadable}
    wanted = {"cut short.JPG", "empty.jpg", "text.JPG", "folder.jpg", "bomb.png", "dangling.jpg"}
    assert names == wanted
    assert f"{FRAMES} of {FRAMES} frames" in card.said
    assert "6 that cannot be read" in card.said


def test_sources_are_untouched(card: Card) -> None:
    assert digests(card.folder) == card.before


def test_the_picture_is_as_the_report_says(card: Card) -> None:
    report = read_report(card.out.with_name("Küste früh.report.json"))
    with tifffile.TiffFile(card.out) as tiff:
        page = tiff.pages.first
        assert (page.imagewidth, page.imagelength) == (report.plate.width, report.plate.height)
        assert page.bitspersample == 16
        assert page.extrasamples == (2,)
        pixels = page.asarray()
    covered = float((pixels[..., 3] > 0).mean())
    assert covered == pytest.approx(report.coverage.covered_fraction, abs=1e-6)
    assert covered > 0.6
    assert report.timing.total_s > 0.0
    assert report.timing.peak_rss_mb > 50.0
    assert not list(card.out.parent.glob(".*part*"))
    assert not (card.out.parent / "Küste früh.work" / "frames").exists()


def test_memory_stays_under_the_ceiling(card: Card) -> None:
    peak_mb = read_report(card.out.with_name("Küste früh.report.json")).timing.peak_rss_mb
    assert 150.0 < peak_mb < 700 * 2**20 / 1e6


def test_a_second_run_finds_everything_done(card: Card, capsys: pytest.CaptureFixture[str]) -> None:
    before = card.out.stat()
    began = time.monotonic()
    assert run(["stitch", str(card.folder), "--out", str(card.out)]) == 3
    assert time.monotonic() - began < 2.0
    assert capsys.readouterr().out.startswith("Nothing to do")
    assert (card.out.stat().st_mtime_ns, card.out.stat().st_size) == (before.st_mtime_ns, before.st_size)


def test_other_machines_and_blocks_give_the_same_pixels(card: Card, shot: Path, tmp_path: Path) -> None:
    out = tmp_path / "again.tif"
    arguments = ["--workers", "1", "--tile", "1024", "--memory", "1GiB", "--quiet"]
    assert run(["stitch", str(shot), "--out", str(out), *arguments]) in MADE
    with tifffile.TiffFile(out) as again, tifffile.TiffFile(card.out) as first:
        assert np.array_equal(again.asarray(), first.asarray())
        for tag in again.pages.first.tags:
            if tag.name not in ("TileOffsets", "TileByteCounts", "ExifTag"):
                assert first.pages.first.tags[tag.code].value == tag.value, tag.name


def test_preview_and_other_options_reuse_the_stages(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "p.tif"
    command = ["stitch", str(shot), "--out", str(out)]
    assert run([*command, "--preview"]) in MADE
    assert not out.exists()
    with Image.open(tmp_path / "p.preview.jpg") as preview:
        assert preview.format == "JPEG"
        assert 500 < max(preview.size) <= 2000
        small = np.asarray(preview, dtype=float)
    report_file = tmp_path / "p.report.json"
    report = read_report(report_file)
    assert report.picture is None

    (tmp_path / "p.work" / "tone.json").write_text("{")
    capsys.readouterr()
    assert run([*command, "--depth", "8"]) in MADE
    assert "tone.json: is damaged, so this stage is made again" in said(capsys)
    report = read_report(report_file)
    assert report.timing.align_s == 0.0
    assert report.timing.tone_s > 0.0
    assert report.picture is not None
    assert report.picture.bits == 8
    pixels = tifffile.imread(out).astype(float)
    big = np.where(pixels[..., 3:] > 0, pixels[..., :3], 255.0)
    size = (small.shape[1], small.shape[0])
    reduced = np.asarray(
        Image.fromarray(big.astype(np.uint8)).resize(size, Image.Resampling.BOX), dtype=float
    )
    assert np.median(np.abs(reduced - small)) <= 3.0

    # only the plate and what follows it
    assert run([*command, "--projection", "cylindrical", "--resolution", "50%", "--quiet"]) in MADE
    after = read_report(report_file)
    assert after.plate.projection == "cylindrical"
    assert after.timing.align_s == after.timing.tone_s == 0.0
    focal = max(f.focal_px for f in after.frames if f.focal_px)
    assert after.plate.pixels_per_radian == pytest.approx(0.5 * focal)


def test_blocks_that_meet_nowhere_are_named_with_the_command_that_makes_them(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "two places"
    shutil.copytree(shot, folder)
    render_set("row", tmp_path / "other", megapixels=0.4, columns=2, seed=7)
    for file in (tmp_path / "other").glob("*.JPG"):
        shutil.copy(file, folder / f"other {file.name}")
    assert run(["stitch", str(folder), "--out", str(tmp_path / "a.tif")]) == 3
    report = read_report(tmp_path / "a.report.json")
    assert len(report.used) == FRAMES
    assert len(report.left_out) == 2
    (command,) = [block.command for block in report.components if block.command]
    assert "a-2.tif" in command
    assert command.count("other VH_") == 2
    assert "left out" in capsys.readouterr().out


def test_frames_may_be_left_out_by_name(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "a.tif")
    fails(
        capsys, ["stitch", str(shot), "--out", out, "--leave-out", "nobody.jpg"], "nobody.jpg: no frame has"
    )


def test_frames_left_out_on_request_are_no_failure(shot: Path, tmp_path: Path) -> None:
    name = sorted(shot.glob("*.JPG"))[-1].name
    code = run(["stitch", str(shot), "--out", str(tmp_path / "a.tif"), "--leave-out", name, "--quiet"])
    report = read_report(tmp_path / "a.report.json")
    assert [report.frames[i].file for i in report.left_out] == [name]
    assert code == (3 if report.in_doubt else 0)


def test_the_photographer_may_point_at_the_horizon(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, frame = str(tmp_path / "a.tif"), sorted(shot.glob("*.JPG"))[0].name
    begin = ["stitch", str(shot), "--out", out, "--horizon"]
    fails(capsys, [*begin, "nobody.jpg:1,2", "nobody.jpg:3,4"], "nobody.jpg: no frame has")
    fails(capsys, [*begin, f"{frame}:1,two"], "no point of the horizon")
    fails(capsys, [*begin, f"{frame}:100,300"], "one point of the horizon")
    run([*begin, f"{frame}:10,300", f"{frame}:400,310", "--preview", "--quiet"])
    assert read_report(tmp_path / "a.report.json").level.source == "person"


# Stopping


class Impatient(Progress):
    """Somebody who presses Ctrl-C when a share of the picture is written."""

    def advance(self, share: float) -> None:
        if self._stage == "picture" and share > 0.3:
            raise KeyboardInterrupt
        super().advance(share)


def test_a_picture_stopped_half_way_is_gone_on_with_to_the_same_pixels(
    card: Card,
    shot: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = tmp_path / "a.tif"
    command = ["stitch", str(shot), "--out", str(out), "--tile", "512", "--workers", "2"]
    with monkeypatch.context() as patch:
        patch.setattr("belvedere.cli.stitch_command.Progress", Impatient)
        assert run(command) == 130
    assert said(capsys).strip() == "Stopped; run the same command to continue."
    assert not out.exists()
    assert not (tmp_path / "a.work" / "lock.json").exists()
    (part,) = tmp_path.glob(".a.tif.part*")
    assert run(command) in MADE
    assert not part.exists()
    assert np.array_equal(tifffile.imread(out), tifffile.imread(card.out))
    whole, gone_on = (read_report(p.with_name(p.stem + ".report.json")) for p in (card.out, out))
    assert gone_on.coverage.covered_fraction == whole.coverage.covered_fraction
    assert gone_on.picture is not None
    assert whole.picture is not None
    assert gone_on.picture.over_white_fraction == whole.picture.over_white_fraction


@pytest.mark.skipif(sys.platform == "win32", reason="an interrupt cannot be sent to one process on Windows")
def test_ctrl_c_stops_within_two_seconds_and_leaves_no_half_file(shot: Path, tmp_path: Path) -> None:
    import resource  # not on Windows

    for attempt in range(5):  # on a busy machine the run may be over before the signal gets there
        out = tmp_path / f"{attempt}.tif"
        others = resource.getrusage(resource.RUSAGE_CHILDREN)
        process = subprocess.Popen(
            [*COMMAND, "stitch", str(shot), "--out", str(out), "--progress", "--workers", "1"],
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            # a shell starts what it puts in the background with interrupts ignored, and children inherit that
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )
        assert process.stderr is not None
        for line in process.stderr:
            if line.startswith("aligning"):
                break
        began, spent = time.monotonic(), sum(psutil.Process(process.pid).cpu_times()[:2])
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=30)
        took = time.monotonic() - began
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        worked = used.ru_utime + used.ru_stime - others.ru_utime - others.ru_stime - spent
        if process.returncode not in MADE:
            break
    assert worked < 2.0  # processor time: what the wall's would be with the machine to itself
    assert took < 10.0
    assert process.returncode == 130, errors
    assert "Stopped; run the same command to continue." in errors
    assert "Traceback" not in errors
    assert output == ""
    assert not out.exists()
    assert not out.with_suffix(".work").joinpath("lock.json").exists()


def test_a_second_run_on_the_same_work_folder_says_who_holds_it(shot: Path, tmp_path: Path) -> None:
    work = tmp_path / "a.work"
    work.mkdir()
    with held(work):
        done = subprocess.run(
            [*COMMAND, "stitch", str(shot), "--out", str(tmp_path / "a.tif")],
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
    assert done.returncode == 2
    assert f"process {os.getpid()} on " in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list(work.iterdir()) == []


# Bad input


def test_nothing_to_stitch(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "a.tif")
    (tmp_path / "empty").mkdir()
    fails(capsys, ["stitch", str(tmp_path / "empty"), "--out", out], "no frame that can be read")
    fails(capsys, ["stitch", str(tmp_path / "missing"), "--out", out], "missing")
    (tmp_path / "text.jpg").write_text("no picture")
    fails(capsys, ["stitch", str(tmp_path / "text.jpg"), "--out", out], "text.jpg")
    assert not (tmp_path / "a.work").exists()


def test_one_frame_is_no_set(shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (frame, *_) = sorted(shot.glob("*.JPG"))
    fails(capsys, ["stitch", str(frame), "--out", str(tmp_path / "a.tif")], "is the only frame.*two or more")
    # the same file twice is one frame
    arguments = ["stitch", str(frame), str(frame), "--out", str(tmp_path / "a.tif")]
    fails(capsys, arguments, "is the only frame")


def test_only_one_frame_can_be_decoded(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second, *_ = sorted(shot.glob("*.JPG"))
    shutil.copy(first, tmp_path)
    data = second.read_bytes()
    (tmp_path / second.name).write_bytes(data[: len(data) * 2 // 3])
    fails(
        capsys, ["stitch", str(tmp_path), "--out", str(tmp_path / "a.tif")], f"fewer than two.*{second.name}"
    )


def test_frames_that_overlap_nowhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(0)
    for i in range(3):
        noise = rng.integers(0, 256, (150, 200, 3), dtype=np.uint8)
        Image.fromarray(noise).resize((600, 400), Image.Resampling.BICUBIC).save(tmp_path / f"{i}.png")
    out = tmp_path / "a.tif"
    fails(capsys, ["stitch", str(tmp_path), "--out", str(out)], "no two of the 3 frames")
    assert not out.exists()


def test_frames_without_anything_to_hold_on_to(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for i in range(2):
        Image.new("RGB", (600, 400), (90, 120, 200 + i)).save(tmp_path / f"{i}.png")
    fails(capsys, ["stitch", str(tmp_path), "--out", str(tmp_path / "a.tif")], "no two of the 2 frames")


def test_places_where_no_picture_can_be_made(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = digests(shot)
    (frame, *_) = sorted(shot.glob("*.JPG"))
    stitch = ["stitch", str(shot), "--out"]
    fails(capsys, [*stitch, str(tmp_path / "no" / "a.tif")], "there is no folder")
    fails(capsys, [*stitch, str(tmp_path)], "this is a folder")
    fails(capsys, [*stitch, str(tmp_path / "a.jpg")], "ends in .tif")
    fails(capsys, [*stitch, str(frame)], "ends in .tif")
    assert digests(shot) == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path.chmod(0o500)
    try:
        fails(capsys, ["stitch", str(shot), "--out", str(tmp_path / "a.tif")], "may not be written")
    finally:
        tmp_path.chmod(0o700)


def test_the_output_is_never_one_of_the_frames(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = []
    for i, frame in enumerate(sorted(shot.glob("*.JPG"))):
        files.append(tmp_path / f"{i}.tif")
        with Image.open(frame) as image:
            image.save(files[-1])
    before = digests(tmp_path)
    named = [str(file) for file in files]
    fails(capsys, ["stitch", *named, "--out", named[1], "--replace"], "is one of the frames")
    fails(capsys, ["stitch", str(tmp_path), "--out", named[1], "--replace"], "lies among the frames")
    if hasattr(os, "symlink"):
        (tmp_path / "sub").mkdir()
        (tmp_path / "sub" / "link.tif").symlink_to(files[1])
        link = str(tmp_path / "sub" / "link.tif")
        fails(capsys, ["stitch", *named, "--out", link, "--replace"], "is one of the frames")
    assert digests(tmp_path) == before


def test_a_file_of_that_name_that_was_not_made_here_stays(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "a.tif"
    out.write_text("a diary")
    fails(capsys, ["stitch", str(shot), "--out", str(out)], "not made by Belvedere.*--replace")
    assert out.read_text() == "a diary"


def test_a_full_disk(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = shutil.disk_usage(tmp_path)._replace(free=1_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    fails(capsys, ["stitch", str(shot), "--out", str(tmp_path / "a.tif")], "Free some space.*--work FOLDER")
    assert not (tmp_path / "a.tif").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--memory", "lots"], "--memory.*1GiB"),
        (["--memory", "20MiB"], "too low.*--memory 600MiB"),
        (["--tile", "500"], "multiple of 512"),
        (["--workers", "0"], "at least 1"),
        (["--resolution", "fine"], "px per radian"),
        (["--resolution", "-5%"], "px per radian"),
        (["--ppi", "0"], "above 0"),
        (["--centre-yaw", "nan"], "degrees"),
        (["--depth", "12"], "--depth.*--help"),
        (["--projection", "flat"], "--projection.*--help"),
    ],
)
def test_options_that_cannot_be_followed(
    shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    joined = [f"{arguments[0]}={arguments[1]}"]
    fails(capsys, ["stitch", str(shot), "--out", str(tmp_path / "a.tif"), *joined], words)


# Help

COMMANDS = ("plan", "check", "sort", "stitch", "deliver", "verify", "demo")


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS[1:])])  # plan: by itself
def test_help_has_an_example_that_parses(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*command, "--help"]) in MADE
    text = capsys.readouterr().out
    lines = [line.partition(" > ")[0] for line in text.splitlines()]  # where a shell would send it
    examples = [line.split() for line in lines if line.startswith("  belvedere ")]
    assert examples
    for words in examples:
        assert parser().parse_args(words[1:]).command in COMMANDS
    assert max(len(line) for line in text.splitlines()) < 120


def test_help_comes_without_the_heavy_libraries() -> None:
    code = (
        "import sys; from belvedere.cli.main import run; run(['stitch', '--help'])\n"
        "heavy = {'numpy', 'numba', 'cv2', 'scipy', 'PIL', 'psutil', 'msgspec'} & set(sys.modules)\n"
        "sys.exit(repr(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_version_and_no_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert re.fullmatch(r"belvedere \d+\.\d+.*\n", capsys.readouterr().out)
    assert run([]) == 2


def test_names_on_the_command_line_are_those_of_the_rooms() -> None:
    assert PROJECTIONS == plate.PROJECTIONS
    assert set(DEMO_SETS) <= set(SETS)


def test_demo_shoots_once_and_stitches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["demo", str(tmp_path / "d"), "--set", "exposure-steps", "--megapixels", "0.2"]
    assert run(command) in MADE
    assert "Shooting" in said(capsys)
    assert (tmp_path / "d" / "exposure-steps.tif").exists()
    assert run(command) in MADE
    told = capsys.readouterr()
    assert "Shooting" not in told.err
    assert told.out.startswith("Nothing to do")
