"""The folder for the screen is there whole or not at all, and nobody's files are lost for it."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from belvedere.cli.main import run
from belvedere.deliver import tile_files
from belvedere.deliver.finished_folder import check_folder, finished_folder
from belvedere.deliver.iiif import TileSet
from belvedere.deliver.picture import open_picture
from belvedere.deliver.screen_folder import ScreenOptions, made_for_screen, write_for_screen
from belvedere.deliver.shares import Shares
from belvedere.errors import OutputFailed, UnreadableFile
from tests.screen_pictures import scene, write_picture


@pytest.fixture
def source(tmp_path: Path) -> Path:
    return write_picture(tmp_path / "lake.tif", scene(700, 500))


def names(folder: Path) -> set[str]:
    return {entry.name for entry in folder.iterdir()}


def test_the_command_makes_the_folder_and_makes_it_again(
    source: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ["deliver", str(source), "--for", "screen", "--share", "300", "100", "--tile", "128"]
    assert run(said) in (0, 3)  # 3 where there is no viewer
    out = source.with_name("lake.screen")
    told = capsys.readouterr().out
    assert f"Written: {out}, with " in told
    assert "lake-300.jpg (300 x 214 px)" in told
    assert {"tiles", "lake-300.jpg", "lake-100.jpg", "screen.json"} <= names(out)
    assert json.loads((out / "tiles/info.json").read_text())["id"] == "http://localhost:8000/tiles"
    address = "https://pictures.example/lake/"
    assert run([*said[:4], "--no-page", "--share", "200"]) == 0
    assert names(out) == {"lake-200.jpg", "screen.json"}
    assert run([*said, "--address", address, "--quiet"]) in (0, 3)
    assert json.loads((out / "tiles/info.json").read_text())["id"] == "https://pictures.example/lake/tiles"


def test_a_folder_with_files_of_others_is_left_alone(
    source: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ["deliver", str(source), "--for", "screen", "--no-page", "--replace"]
    other = source.parent / "other"
    other.mkdir()
    (other / "diary.txt").write_text("mine")
    assert run([*said, "--out", str(other)]) == 2
    assert "files that Belvedere did not make" in capsys.readouterr().err
    assert run([*said]) == 0
    made = source.with_name("lake.screen")
    assert made_for_screen(made)
    (made / "notes.txt").write_text("mine too")
    assert run([*said]) == 2
    assert (other / "diary.txt").read_text() == "mine"
    assert (made / "notes.txt").read_text() == "mine too"
    assert run([*said, "--out", str(source)]) == 2
    assert "this is a file" in capsys.readouterr().err
    assert run([*said, "--out", str(source.parent / "no" / "where")]) == 2


def test_a_full_disk_leaves_what_was_there(source: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = source.with_name("out")
    with open_picture(source) as picture:
        write_for_screen(picture, out, ScreenOptions(share_px=(100,), page=False))
        before = (out / "lake-100.jpg").read_bytes()
        count = 0

        def full(path: Path, data: bytes) -> None:
            nonlocal count
            count += 1
            if count > 5:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)

        monkeypatch.setattr(tile_files, "written", full)
        with pytest.raises(OutputFailed, match="the disk is full"):
            write_for_screen(picture, out, ScreenOptions(tile=64), workers=2)
    assert (out / "lake-100.jpg").read_bytes() == before
    assert names(source.parent) == {"lake.tif", "out"}


def test_a_picture_cut_short_leaves_nothing(source: Path) -> None:
    out = source.with_name("out")
    with open_picture(source) as picture:
        os.truncate(source, source.stat().st_size // 2)
        with pytest.raises(UnreadableFile, match="cut short or damaged"):
            write_for_screen(picture, out, ScreenOptions(), workers=2)
    assert names(source.parent) == {"lake.tif"}


@pytest.mark.skipif(os.name == "nt", reason="Windows deletes no open file")
def test_a_picture_deleted_midway_is_delivered_all_the_same(source: Path) -> None:
    out = source.with_name("out")
    with open_picture(source) as picture:
        source.unlink()
        write_for_screen(picture, out, ScreenOptions(share_px=(700,)))
    assert (out / "lake-700.jpg").exists()


def test_a_picture_is_not_enlarged_and_that_is_said(source: Path) -> None:
    with open_picture(source) as picture:
        made = write_for_screen(
            picture, source.with_name("out"), ScreenOptions(page=False, share_px=(2048, 4096, 200))
        )
    assert [share[0] for share in made.shares] == ["lake-700.jpg", "lake-200.jpg"]
    assert made.remarks[0] == "the picture is 700 px long, and is not enlarged to 2048 px"
    assert not made.notices


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"share_px": (70_000,)}, "16 to 65500 px"),
        ({"tile_quality": 0}, "1 to 100"),
        ({"share_quality": 101}, "1 to 100"),
        ({"tile": 100_000}, "64 to 4096"),
        ({"address": "pictures.example"}, "http:// or https://"),
        ({"page": False, "share_px": ()}, "nothing to make"),
    ],
)
def test_options_of_no_use_are_refused(given: dict[str, Any], said: str) -> None:
    with pytest.raises(OutputFailed, match=said):
        ScreenOptions(**given)


def test_pictures_to_share_that_are_too_large_are_refused_before_any_work() -> None:
    with pytest.raises(OutputFailed, match="have 32 megapixels together"):
        Shares(TileSet(60_000, 30_000), (8000,))
    assert len(Shares(TileSet(60_000, 30_000), (6000, 2048, 2048))) == 2


@pytest.mark.parametrize("colour", ["blue", "12345", "#12345g"])
def test_a_ground_that_is_no_colour_is_refused(
    source: Path, colour: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["deliver", str(source), "--for", "screen", "--ground", colour]) == 2
    assert "six hexadecimal digits" in capsys.readouterr().err


def test_a_folder_that_fails_is_gone_and_the_old_one_stays(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with finished_folder(out) as part:
        (part / "a").write_text("old")

    def fail() -> None:
        with finished_folder(out) as part:
            (part / "a").write_text("new")
            raise ValueError("midway")

    with pytest.raises(ValueError, match="midway"):
        fail()
    assert (out / "a").read_text() == "old"
    assert names(tmp_path) == {"out"}
    with finished_folder(out) as part:
        (part / "b").write_text("new")
    assert names(out) == {"b"}
    check_folder(out, lambda folder: True)
    with pytest.raises(OutputFailed, match="did not make"):
        check_folder(out, lambda folder: False)


def test_other_kinds_of_picture_do_too(tmp_path: Path) -> None:
    """8 bits, without profile or report."""
    from PIL import Image

    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(tmp_path / "plain.png")
    with open_picture(tmp_path / "plain.png") as picture:
        made = write_for_screen(picture, tmp_path / "out", ScreenOptions(share_px=(60,)))
    assert any("no colour profile" in notice for notice in made.notices)
    with Image.open(tmp_path / "out/plain-60.jpg") as image:
        assert np.abs(np.asarray(image, int) - 90).max() <= 1
