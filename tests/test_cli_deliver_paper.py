"""`belvedere deliver --for paper` from the command line: files, words and exit codes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from belvedere.capture.primaries import srgb_profile
from belvedere.cli.main import run


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    path = tmp_path / "morning.tif"
    codes = np.random.default_rng(1).integers(0, 65536, (60, 90, 3), dtype=np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb", iccprofile=srgb_profile(), metadata=None)
    return path


def test_a_print_is_made_and_told(picture: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["deliver", str(picture), "--for", "paper", "--width", "3in", "--ppi", "100", "--bleed", "3"]
    assert run(asked) == 3  # how the picture was made is not known
    said = capsys.readouterr()
    assert "On paper: 76 x 51 mm (3.0 x 2.0 in) at 100 pixels per inch, and 3 mm of bleed" in said.out
    assert "pixels of the frames stand behind them is not known" in said.out
    assert "the print is enlarged: it has 100 pixels per inch, the picture 30" in said.err
    assert tifffile.imread(picture.with_name("morning.paper.tif")).shape == (200 + 80, 300 + 80, 3)


def test_the_name_or_as_says_what_kind(picture: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = picture.with_name("print.pdf")
    run(["deliver", str(picture), "--for", "paper", "--out", str(out), "--quiet"])
    assert out.read_bytes().startswith(b"%PDF-1.7")
    run(["deliver", str(picture), "--for", "paper", "--as", "pdf", "--quiet"])
    assert picture.with_name("morning.paper.pdf").is_file()
    assert run(["deliver", str(picture), "--for", "paper", "--as", "tiff", "--out", str(out)]) == 2
    assert "does not go with the name" in capsys.readouterr().err


def test_options_of_another_purpose_are_not_passed_over(
    picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = {"--width=3m": "paper", "--as=pdf": "paper", "--no-marks": "paper", "--title=Hills": "screen"}
    for option, purpose in asked.items():
        assert run(["deliver", str(picture), "--for", "keep", option]) == 2
        name = option.partition("=")[0].replace("no-", "")
        assert f"{name}: goes with --for {purpose}, not with --for keep" in capsys.readouterr().err
    assert not picture.with_name("morning.keep.tif").exists()


@pytest.mark.parametrize("purpose", ["keep", "paper", "screen"])
def test_a_folder_is_no_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], purpose: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["deliver", ".", "--for", purpose]) == 2
    assert capsys.readouterr().err == "belvedere: .: is a folder; name the picture in it\n"


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (["--paper", "none.icc"], "there is no such file; give the paper's ICC profile, or srgb"),
        (["--width", "3 parsecs"], "--width 3 parsecs: is no number"),
        (["--width", "300m"], "larger than sensible; up to 100 m can be had"),
        (["--width", "10cm", "--margin", "6cm"], "leave nothing"),
        (["--width", "10cm", "--margin", "1cm", "--wrap", "3cm"], "not both"),
        (["--viewing-distance", "0"], "viewing distance must be a number above 0"),
        (["--ppi", "0"], "pixels per inch must be a number above 0"),
        (["--out", "no/such/folder.tif"], "there is no folder"),
        (["--out", "print.png"], "prints are TIFF or PDF. Choose a name that ends in .tif or .pdf"),
        (["--longest", "2m"], "give the roll's width too"),
        (["--share", "2048"], "--share: goes with --for screen, not with --for paper"),
        (["--without-place"], "--without-place: goes with --for screen"),
    ],
)
def test_what_cannot_be_is_one_line(
    picture: Path, capsys: pytest.CaptureFixture[str], asked: list[str], says: str
) -> None:
    before = sorted(picture.parent.iterdir())
    assert run(["deliver", str(picture), "--for", "paper", *asked]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert said.count("\n") == 1
    assert sorted(picture.parent.iterdir()) == before
