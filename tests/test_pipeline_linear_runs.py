"""Runs to linear light: the same however they went, and what cannot be made is said before any work."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from belvedere.cli.main import run
from belvedere.compose.report import read_report, report_path
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from linear_sets import dng_light, shoot, stitch_dng


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shoot(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="module")
def dng(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return stitch_dng(card, tmp_path_factory.mktemp("dng") / "row.dng", "--tile", "512")


@pytest.mark.parametrize("more", [["--workers", "1", "--tile", "512"], ["--tile", "1024"]])
def test_the_same_picture_whatever_made_it(card: Path, dng: Path, tmp_path: Path, more: list[str]) -> None:
    out = stitch_dng(card, tmp_path / "row.dng", *more)
    assert np.array_equal(dng_light(out), dng_light(dng))
    assert out.stat().st_size == dng.stat().st_size
    if "512" in more:  # blocks of the same size also leave the tiles in the same order
        assert out.read_bytes() == dng.read_bytes()


def test_one_report_cannot_tell_of_two_pictures(
    card: Path, dng: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    out = dng.with_suffix(".tif")
    assert run(["stitch", str(card), "--as", "linear-tiff", "--out", str(out), "--quiet"]) == 2
    assert "row.report.json: is the report of row.dng" in capfd.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--as", "linear-dng", "--out", "a.tif"], "ends in .dng"),
        (["--as", "linear-tiff", "--out", "a.dng"], "--as linear-dng"),
        (["--out", "a.dng"], "--as linear-dng"),
        (["--as", "linear-dng", "--depth", "8", "--out", "a.dng"], "--depth 8"),
        (["--as", "linear-dng", "--depth", "32", "--out", "a.dng"], "--depth 32"),
        (["--depth", "32", "--out", "a.tif"], "--depth 32"),
    ],
)
def test_what_cannot_be_made_is_said_before_any_work(
    card: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    arguments = [str(tmp_path / a) if a.startswith("a.") else a for a in arguments]
    assert run(["stitch", str(card), *arguments]) == 2
    assert words in capfd.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_picture_among_raw_files_is_named(
    card: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    mixed = tmp_path / "mixed"
    shutil.copytree(card, mixed)
    size = Image.fromarray(np.zeros((100, 150, 3), np.uint8))
    size.save(mixed / "VH_0999.JPG")
    assert run(["stitch", str(mixed), "--as", "linear-dng", "--out", str(tmp_path / "a.dng")]) == 2
    assert "VH_0999.JPG is no raw file" in capfd.readouterr().err
    assert not (tmp_path / "a.work").exists()


def test_a_damaged_raw_file_is_left_out_and_named(card: Path, tmp_path: Path) -> None:
    damaged = tmp_path / "damaged"
    shutil.copytree(card, damaged)
    file = sorted(damaged.glob("*.DNG"))[2]
    with tifffile.TiffFile(file, mode="r+b") as tiff:
        page = tiff.pages[0].pages[0]
        tiff.filehandle.seek(page.dataoffsets[0] + page.databytecounts[0] // 2)
        tiff.filehandle.write(bytes(page.databytecounts[0] // 2))
    out = tmp_path / "a.dng"
    assert run(["stitch", str(damaged), "--as", "linear-dng", "--out", str(out), "--quiet"]) == 3
    report = read_report(report_path(out))
    assert [Path(u.file).name for u in report.unreadable] == [file.name]


def test_a_sorted_card_gives_the_raw_files_of_its_pictures(tmp_path: Path) -> None:
    card, out = tmp_path / "card", tmp_path / "made"
    write_set(replace(set_spec("row", megapixels=0.3, columns=2), raw="both"), card)
    sorting = tmp_path / "series.json"
    assert run(["sort", str(card), "--out", str(sorting), "--quiet"]) in (0, 3)
    assert run(["stitch", str(sorting), "--all", "--as", "linear-dng", "--out", str(out), "--quiet"]) == 0
    reports = [read_report(report_path(made)) for made in out.glob("*.dng")]
    assert [[Path(f.file).suffix for f in report.frames] for report in reports] == [[".DNG", ".DNG"]]


def test_stepped_exposures_become_floating_point_unless_told_otherwise(tmp_path: Path) -> None:
    card = tmp_path / "card"
    write_set(replace(set_spec("row", megapixels=0.3, columns=2), raw="dng", bracket_ev=(0.0, -2.0)), card)
    for name, more, bits in (("a.tif", [], 32), ("b.tif", ["--depth", "16"], 16)):
        command = ["stitch", str(card), "--as", "linear-tiff", "--out", str(tmp_path / name), "--quiet"]
        assert run([*command, *more]) in (0, 3)
        picture = read_report(report_path(tmp_path / name)).picture
        assert picture is not None
        assert picture.bits == bits
        assert tifffile.imread(tmp_path / name).dtype.itemsize * 8 == bits
