"""From files and folders to frames: the right ones in the order shot, and every other one named."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from belvedere.capture.gather import gather, natural_key

DATA = Path(__file__).parents[2] / "shared" / "data"


def shoot(file: Path, taken: str | None = None, fraction: str = "", shade: int = 9) -> Path:
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769).update({0x9003: taken, 0x9291: fraction})
    file.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.full((20, 30, 3), shade, np.uint8)).save(file, exif=exif)
    return file


def names(gathered: object) -> list[str]:
    return [frame.name for frame in gathered.frames]  # type: ignore[attr-defined]


def test_without_times_names_sort_as_people_count(tmp_path: Path) -> None:
    for name in ("pic10.jpg", "pic2.jpg", "Pic1.jpg", "pic 3.JPG", "zü é.png", "a.tif"):
        shoot(tmp_path / name)
    assert names(gather([tmp_path])) == [
        "a.tif",
        "Pic1.jpg",
        "pic2.jpg",
        "pic10.jpg",
        "pic 3.JPG",
        "zü é.png",
    ]


def test_times_go_before_names_and_fractions_of_a_second_count(tmp_path: Path) -> None:
    shoot(tmp_path / "IMG_0001.jpg", "2024:01:01 10:00:05")  # the counter wrapped
    shoot(tmp_path / "IMG_9998.jpg", "2024:01:01 10:00:01", "50")
    shoot(tmp_path / "IMG_9999.jpg", "2024:01:01 10:00:01", "055")
    shoot(tmp_path / "b10.jpg", "2024:01:01 10:00:09")
    shoot(tmp_path / "b9.jpg", "2024:01:01 10:00:09")
    gathered = gather([tmp_path])
    assert names(gathered) == ["IMG_9999.jpg", "IMG_9998.jpg", "IMG_0001.jpg", "b9.jpg", "b10.jpg"]
    assert gathered.notices == ()


def test_one_frame_without_a_time_puts_all_in_the_order_of_names(tmp_path: Path) -> None:
    shoot(tmp_path / "a.jpg", "2024:01:01 10:00:05")
    shoot(tmp_path / "b.jpg")
    shoot(tmp_path / "c.jpg", "2024:01:01 10:00:01")
    gathered = gather([tmp_path])
    assert names(gathered) == ["a.jpg", "b.jpg", "c.jpg"]
    assert [n for n in gathered.notices if "b.jpg" in n and "order of their names" in n]


@given(st.lists(st.text(max_size=8), max_size=6), st.randoms())
def test_natural_order_is_total(words: list[str], random: object) -> None:
    shuffled = sorted(words, key=lambda _: random.random())  # type: ignore[attr-defined]
    keys = [natural_key(word) for word in words]
    assert sorted(keys) == sorted(natural_key(word) for word in shuffled)
    assert natural_key("a2") < natural_key("a10") < natural_key("a10b")


def test_everything_that_cannot_be_used_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    good = shoot(tmp_path / "good one.jpg")
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "note.JPG").write_text("not a picture at all")
    (tmp_path / "cut.png").write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR")
    (tmp_path / "folder.tif").mkdir()
    (tmp_path / "dangling.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (tmp_path / "circle.jpg").symlink_to(tmp_path / "circle.jpg")
    (tmp_path / "lone.NEF").write_bytes(b"raw")
    (tmp_path / "good one.cr2").write_bytes(b"raw")
    (tmp_path / "phone.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(9))
    shoot(tmp_path / ".hidden.jpg")
    (tmp_path / "good one.xmp").write_text("<x/>")
    (tmp_path / "notes.txt").write_text("x")
    before = {p: p.lstat().st_mtime_ns for p in tmp_path.iterdir()}
    gathered = gather([tmp_path])
    assert [frame.file for frame in gathered.frames] == [good]
    assert {path.name: why.split(";")[0] for path, why in gathered.unreadable} == {
        "empty.jpg": "is empty",
        "note.JPG": "is not a picture file, whatever its name says",
        "cut.png": "its header is cut short or damaged",
        "folder.tif": "is a folder with a picture's name",
        "dangling.jpg": "is a link to a file that is not there",
        "circle.jpg": dict(gathered.unreadable)[tmp_path / "circle.jpg"],
        "lone.NEF": "is cut short or damaged",
        "phone.heic": "is cut short or damaged",
    }
    assert [n for n in gathered.notices if "good one.cr2" in n and "raw" in n]
    assert {p: p.lstat().st_mtime_ns for p in tmp_path.iterdir()} == before


def test_files_named_outright_are_taken_whatever_their_suffix(tmp_path: Path) -> None:
    odd = shoot(tmp_path / "a.jpg").rename(tmp_path / "a.dat")
    missing = tmp_path / "missing.jpg"
    gathered = gather([odd, missing])
    assert names(gathered) == ["a.dat"]
    assert gathered.unreadable == ((missing, "is not there"),)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_with_a_pictures_name_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    assert gather([tmp_path]).unreadable == ((tmp_path / "pipe.jpg", "is not a plain file"),)


def test_what_is_being_made_is_never_a_frame(tmp_path: Path) -> None:
    frame = shoot(tmp_path / "a.jpg")
    out, preview = shoot(tmp_path / "OUT.tif"), shoot(tmp_path / "OUT.preview.jpg")
    relative = tmp_path / "x" / ".." / "OUT.tif"
    (tmp_path / "x").mkdir()
    assert [f.file for f in gather([tmp_path], {relative, preview}).frames] == [frame]
    assert [f.file for f in gather([tmp_path, out], [out, preview]).frames] == [frame]
    (tmp_path / "OUT.report.json").write_text("{}")
    gathered = gather([tmp_path])
    assert [f.file for f in gathered.frames] == [frame]
    assert len([n for n in gathered.notices if "made earlier" in n]) == 2


def test_a_file_met_twice_counts_once(tmp_path: Path) -> None:
    a = shoot(tmp_path / "a.jpg")
    (tmp_path / "b.jpg").symlink_to(a)
    gathered = gather([tmp_path, a, tmp_path / "." / "a.jpg"])
    assert len(gathered.frames) == 1
    assert gathered.notices == ("3 of the files named are the same as another",)


def test_subfolders_only_when_asked_and_never_in_circles(tmp_path: Path) -> None:
    shoot(tmp_path / "DCIM" / "100" / "a.jpg")
    shoot(tmp_path / "DCIM" / "101" / "b.jpg")
    shoot(tmp_path / "DCIM" / ".trash" / "c.jpg")
    shoot(tmp_path / "DCIM" / "OUT.work" / "d.jpg")
    (tmp_path / "DCIM" / "101" / "round").symlink_to(tmp_path / "DCIM")
    assert names(gather([tmp_path])) == []
    assert names(gather([tmp_path], subfolders=True)) == ["a.jpg", "b.jpg"]


def test_an_order_that_was_given_stands_above_the_clock(tmp_path: Path) -> None:
    late = shoot(tmp_path / "b.jpg", "2026:11:25 10:00:00")
    early = shoot(tmp_path / "a.jpg", "2026:11:25 09:00:00")
    untimed = shoot(tmp_path / "c.jpg")
    assert names(gather([late, early])) == ["a.jpg", "b.jpg"]
    gathered = gather([late, untimed, early], as_given=True)
    assert names(gathered) == ["b.jpg", "c.jpg", "a.jpg"]
    assert gathered.notices == ()


def test_masks_belong_to_frames_of_their_name_and_size(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        shoot(tmp_path / "set" / name)
    masks = tmp_path / "masks"
    shoot(masks / "A.png")
    shoot(masks / "b.jpg.png")
    shoot(masks / "d.png")
    Image.new("L", (3, 3)).save(masks / "c.png")
    gathered = gather([tmp_path / "set"], masks=masks)
    assert [f.mask and f.mask.name for f in gathered.frames] == ["A.png", "b.jpg.png", None]
    assert gathered.unreadable == ((masks / "c.png", "is 3 x 3 px, but c.jpg is 30 x 20"),)
    assert [n for n in gathered.notices if "d.png" in n]
    assert gather([tmp_path / "set"], masks=tmp_path / "none").unreadable[0][1].startswith("is no folder")


def test_real_sets_come_in_the_order_they_were_shot() -> None:
    """Orders as recorded beside the photographs."""
    if not (DATA / "real").is_dir():
        pytest.skip("the shared photographs are not on this machine")
    turn = gather([DATA / "real" / "courtyard-dusk-360"])
    assert names(turn) == [f"pic-{i}.jpg" for i in range(1, 15)]
    ridge = gather([DATA / "real" / "snow-ridge-180-row"])
    assert names(ridge) == [f"helens{i}.jpg" for i in (6, 5, 4, 3, 2, 1)]
    dome = names(gather([DATA / "real" / "dome-over-zenith"]))
    assert dome.index("optional file.JPG") < dome.index("IMG_0088.JPG")
    assert names(gather([DATA / "real" / "park-row-no-exif"])) == [f"0{i}.jpg" for i in range(8)]
