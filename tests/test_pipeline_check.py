"""Checking a set from files to verdict: what it finds, what it leaves alone, and what bad input gets."""

from __future__ import annotations

import io
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simplejpeg

from belvedere.align import estimate
from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.capture import frame_store
from belvedere.capture.decode import Pixels, decode
from belvedere.capture.frame import Exposure
from belvedere.capture.gather import gather
from belvedere.capture.raw import Mending
from belvedere.demo.sets import render_set
from belvedere.demo.truth import read_truth
from belvedere.errors import BelvedereError, OutputFailed, UnreadableFile
from belvedere.pipeline import decoded_set
from belvedere.pipeline.check import ALIGN, Checking, CheckOptions, check
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.schedule import Threads
from belvedere.survey.checking.verdict import Verdict

MEGAPIXELS = 0.3


def silent() -> Progress:
    return Progress(io.StringIO(), False)


def checked(*sources: Path, **options: object) -> Verdict:
    return check(CheckOptions(sources, **options), silent())  # type: ignore[arg-type]


def content(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {f.name: (f.read_bytes(), f.stat().st_mtime_ns) for f in folder.iterdir() if f.is_file()}


@pytest.fixture(scope="module")
def row(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clean row of five, never changed by a test."""
    folder = tmp_path_factory.mktemp("check") / "row"
    render_set("row", folder, megapixels=MEGAPIXELS, columns=5)
    return folder


@pytest.fixture(scope="module")
def of_row(row: Path, tmp_path_factory: pytest.TempPathFactory) -> Verdict:
    work = tmp_path_factory.mktemp("work")
    before = content(row)
    found = checked(row, workers=3, work=work)
    assert content(row) == before, "the sources are only read"
    assert list(work.iterdir()) == [], "nothing stays behind"
    return found


def test_a_clean_row_is_complete_and_its_overlaps_are_the_true_ones(row: Path, of_row: Verdict) -> None:
    assert of_row.answer == "complete"
    assert of_row.rows == ((0, 1, 2, 3, 4),)
    assert not of_row.grave("risk")
    cameras = read_truth(row / "truth.json").cameras
    for s in of_row.overlaps:
        true = overlap_fraction(cameras[s.a].rays(frame_grid(cameras[s.a], 64)), cameras[s.b])
        assert s.overlap_fraction == pytest.approx(true, abs=0.02)


def test_threads_and_memory_change_nothing(row: Path, of_row: Verdict) -> None:
    assert checked(row, workers=1, memory_bytes=700 << 20) == of_row  # `of_row` was made by three threads


def test_a_missing_frame_is_named_with_where_to_turn(row: Path) -> None:
    kept = [row / f for i, f in enumerate(read_truth(row / "truth.json").files) if i != 2]
    found = checked(*kept)
    assert found.exit_code == 3
    (again,) = found.grave("reshoot")
    assert again.kind == "missing"
    assert found.headline.startswith("Shoot again: ")
    assert again.words in found.headline


def test_files_that_cannot_be_read_are_named_and_the_rest_is_judged(row: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Serie – früh"
    shutil.copytree(row, folder)
    frame = sorted(folder.glob("*.JPG"))[0]
    (folder / "half.JPG").write_bytes(frame.read_bytes()[: frame.stat().st_size // 2])
    (folder / "empty.jpg").write_bytes(b"")
    (folder / "text.jpg").write_text("no picture")
    found = checked(folder)
    assert found.answer == "reshoot"
    assert found.rows == ((0, 1, 2, 3, 4),)
    named = [f.words.split(":")[0] for f in found.findings if f.kind == "unreadable"]
    assert sorted(named) == ["empty.jpg", "half.JPG", "text.jpg"]


@pytest.mark.parametrize("count", [0, 1])
def test_too_few_frames_are_unusable_in_plain_words(row: Path, tmp_path: Path, count: int) -> None:
    for file in sorted(row.glob("*.JPG"))[:count]:
        shutil.copy(file, tmp_path)
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0")
    found = checked(tmp_path)
    assert (found.answer, found.exit_code) == ("unusable", 2)
    assert "broken.jpg" in found.headline + " ".join(f.words for f in found.findings)


def test_frames_that_show_nothing_in_common_are_unusable(tmp_path: Path) -> None:
    for i in range(3):
        rng = np.random.default_rng(i)
        pixels = np.kron(rng.integers(0, 255, (50, 70, 3)), np.ones((10, 10, 1))).astype(np.uint8)
        (tmp_path / f"{i}.jpg").write_bytes(simplejpeg.encode_jpeg(pixels))
    found = checked(tmp_path)
    assert found.answer == "unusable"
    assert "overlap" in found.headline


def test_plain_frames_of_one_colour_are_unusable(tmp_path: Path) -> None:
    pixels = np.full((300, 400, 3), 200, np.uint8)
    for i in range(2):
        (tmp_path / f"{i}.jpg").write_bytes(simplejpeg.encode_jpeg(pixels + np.uint8(i)))
    assert checked(tmp_path).answer == "unusable"


def test_a_folder_of_folders_gets_a_hint(row: Path) -> None:
    found = checked(row.parent)
    assert found.answer == "unusable"
    assert "folders in it" in found.headline


def test_what_is_not_there_is_an_error(tmp_path: Path, row: Path) -> None:
    with pytest.raises(UnreadableFile, match=r"nowhere: is not there"):
        checked(tmp_path / "nowhere")
    with pytest.raises(OutputFailed):
        checked(row, work=tmp_path / "nowhere")
    with pytest.raises(BelvedereError, match="too low"):
        checked(row, memory_bytes=10 << 20)


def test_a_set_that_grows_decodes_only_what_is_new(
    row: Path, of_row: Verdict, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decoded: list[str] = []

    def decode_and_note(exposure: Exposure, mending: Mending | None = None) -> Pixels:
        decoded.append(exposure.file.name)
        return decode(exposure, mending)

    monkeypatch.setattr(frame_store, "decode", decode_and_note)
    files = sorted(row.glob("*.JPG"))
    checking = Checking(CheckOptions((row,)), tmp_path, silent())
    assert checking.verdict(gather(files[:2])).rows == ((0, 1),)
    assert checking.verdict(gather(files)) == of_row
    assert sorted(decoded) == [f.name for f in files]


def test_a_very_long_series_gets_fewer_features_a_frame_however_it_grew(
    row: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a picture's alignment does it: all features of a series fit into memory together."""
    monkeypatch.setattr(estimate, "_ALL_FEATURES", 3000)
    run = Threads(2)
    files = sorted(row.glob("*.JPG"))
    grown = decoded_set.DecodedSet(tmp_path / "grown", ALIGN)
    for count, most in ((2, 1200), (5, 600)):
        read = grown.read(gather(files[:count]).frames, 64 << 20, run, lambda share: None)
        read.store.close()
        assert max(len(f.points) for f in read.features) == most
    at_once = decoded_set.DecodedSet(tmp_path / "at once", ALIGN)
    whole = at_once.read(gather(files).frames, 64 << 20, run, lambda share: None)
    whole.store.close()
    for a, b in zip(read.features, whole.features, strict=True):
        assert np.array_equal(a.points, b.points)
        assert np.array_equal(a.descriptors, b.descriptors)


def test_previews_stand_for_raw_files_and_are_said_to(
    row: Path, of_row: Verdict, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a preview shows what the frame shows, the verdict is the same, and says what it rests on."""
    monkeypatch.setattr(decoded_set, "preview_frame", lambda frame: replace(frame))
    monkeypatch.setattr(decoded_set, "preview_pixels", lambda frame: decode(frame.exposures[0]))
    found = checked(row)
    assert found.overlaps == of_row.overlaps
    assert any("5 raw files are judged by the preview inside" in f.words for f in found.grave("note"))
