"""A card: every press of the release once, every other file counted or named, nothing altered."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from belvedere.capture.card import Card, counter_of, read_card
from belvedere.errors import UnreadableFile


def shoot(file: Path, taken: str | None = None, model: str = "Box One") -> Path:
    exif = Image.Exif()
    exif[0x0110] = model
    if taken:
        exif.get_ifd(0x8769).update({0x9003: taken})
    file.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (30, 20), (9, 9, 9)).save(file, "png" if file.suffix == ".png" else "jpeg", exif=exif)
    return file


def raw(file: Path, taken: str | None = None, model: str = "Box One") -> Path:
    """A small colour filter array; the moment in an Exif directory appended to the file."""
    file.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(
        file, np.full((40, 60), 900, np.uint16), photometric=32803, planarconfig=None, metadata=None,
        byteorder="<",
        extratags=[
            (50706, 1, 4, bytes([1, 4, 0, 0]), False), (33421, 3, 2, (2, 2), False),
            (33422, 1, 4, bytes([0, 1, 1, 2]), False), (272, 2, 0, model, True), (40000, 4, 1, 0, True),
        ],
    )  # fmt: skip
    if taken:
        data = bytearray(file.read_bytes())
        place = len(data)
        text = taken.encode() + b"\0"
        data += (1).to_bytes(2, "little") + (0x9003).to_bytes(2, "little") + (2).to_bytes(2, "little")
        data += len(text).to_bytes(4, "little") + (place + 18).to_bytes(4, "little") + bytes(4) + text
        entry = data.index((40000).to_bytes(2, "little") + (4).to_bytes(2, "little"))
        data[entry : entry + 12] = (
            (0x8769).to_bytes(2, "little") + (4).to_bytes(2, "little") + (1).to_bytes(4, "little")
            + place.to_bytes(4, "little")
        )  # fmt: skip
        file.write_bytes(data)
    return file


def places(card: Card) -> list[str]:
    return [shot.place for shot in card.shots]


def test_a_card_of_two_bodies_whose_counter_wraps(tmp_path: Path) -> None:
    for name in ("DCIM/100ACME/ACM_9998.JPG", "DCIM/100ACME/ACM_9999.JPG", "DCIM/101ACME/ACM_0001.JPG",
                 "DCIM/102QUUX/QX010002.JPG", "DCIM/102QUUX/QX010010.JPG"):  # fmt: skip
        shoot(tmp_path / name, model="Box Two" if "QUUX" in name else "Box One")
    card = read_card(tmp_path)
    assert places(card) == [
        "DCIM/100ACME/ACM_9998.JPG", "DCIM/100ACME/ACM_9999.JPG", "DCIM/101ACME/ACM_0001.JPG",
        "DCIM/102QUUX/QX010002.JPG", "DCIM/102QUUX/QX010010.JPG",
    ]  # fmt: skip
    assert [shot.counter for shot in card.shots] == [9998, 9999, 1, 2, 10]
    assert {shot.exposure.metadata.model for shot in card.shots} == {"Box One", "Box Two"}
    assert (card.unreadable, card.sidecars, card.notices) == ((), 0, ())


@pytest.mark.parametrize(
    ("stem", "counter"),
    [("IMG_0001_edit", None),
     ("IMG_0001", 1), ("P1010023", 23), ("_DSC9999", 9999), ("pic-12", 12), ("scan 7", 7),
     ("holiday", None), ("DSC00012", 12), ("IMG_20240506_070809", 70809), ("x²", None)],
)  # fmt: skip
def test_numbers_of_the_camera(stem: str, counter: int | None) -> None:
    """CIPA DC-009 (DCF 2.0): four free characters and four digits; other names by the digits at their end."""
    assert counter_of(stem) == counter


def test_twins_count_once_and_the_picture_is_used(tmp_path: Path) -> None:
    shoot(tmp_path / "IMG_0001.JPG")
    twin = raw(tmp_path / "img_0001.dng")
    raw(tmp_path / "IMG_0002.DNG")
    card = read_card(tmp_path)
    assert places(card) == ["IMG_0001.JPG", "IMG_0002.DNG"]
    assert [shot.twin for shot in card.shots] == [twin, None]
    assert card.shots[1].exposure.metadata.bits == 16
    assert [n for n in card.notices if "counts as one frame" in n]


def test_twins_in_two_folders_are_found_where_there_is_no_doubt(tmp_path: Path) -> None:
    moment, later = "2024:05:06 07:08:09", "2024:05:06 07:08:10"
    shoot(tmp_path / "jpeg" / "IMG_0001.JPG", moment)
    twin = raw(tmp_path / "raw" / "IMG_0001.DNG", moment)
    shoot(tmp_path / "jpeg" / "IMG_0002.JPG", moment)
    raw(tmp_path / "raw" / "IMG_0002.DNG", later)  # another second
    shoot(tmp_path / "jpeg" / "IMG_0003.JPG", moment)
    raw(tmp_path / "raw" / "IMG_0003.DNG", moment, model="Box Two")  # another body
    shoot(tmp_path / "jpeg" / "IMG_0004.JPG")  # no time
    raw(tmp_path / "raw" / "IMG_0004.DNG")
    card = read_card(tmp_path)
    assert {shot.place: shot.twin for shot in card.shots if shot.twin} == {"jpeg/IMG_0001.JPG": twin}
    assert len(card.shots) == 7
    raws = [shot.exposure.metadata for shot in card.shots if shot.place.endswith("0002.DNG")]
    assert raws[0].taken == datetime(2024, 5, 6, 7, 8, 10)


def test_a_damaged_picture_leaves_its_raw_file(tmp_path: Path) -> None:
    shoot(tmp_path / "IMG_0001.JPG")
    (tmp_path / "IMG_0002.JPG").write_bytes(b"\xff\xd8\xff\xe1")
    raw(tmp_path / "IMG_0002.DNG")
    card = read_card(tmp_path)
    assert places(card) == ["IMG_0001.JPG", "IMG_0002.DNG"]
    assert [place for place, _ in card.unreadable] == ["IMG_0002.JPG"]


def test_sidecars_are_counted_and_said_once(tmp_path: Path) -> None:
    shoot(tmp_path / "a" / "IMG_0001.JPG")
    shoot(tmp_path / "a" / "IMG_0002.JPG")
    (tmp_path / "a" / "IMG_0001.xmp").write_text("<x/>")
    (tmp_path / "a" / "IMG_0002.JPG.edits").write_text("{}")
    (tmp_path / "a" / "notes.txt").write_text("a fine day")
    (tmp_path / "a" / "MVI_0003.MP4").write_bytes(b"film")
    card = read_card(tmp_path)
    assert card.sidecars == 2
    assert [n for n in card.notices if "edits are not applied" in n] == list(card.notices)


def test_what_cannot_be_used_is_named_by_its_place(tmp_path: Path) -> None:
    good = shoot(tmp_path / "DCIM" / "100ACME" / "zü é 1.JPG")
    folder = good.parent
    (folder / "empty.jpg").touch()
    (folder / "IMG_0003.NEF").write_bytes(b"junk")
    (folder / "text.JPG").write_text("not a picture")
    (folder / "circle.jpg").symlink_to(folder / "circle.jpg")
    (folder / ".hidden.jpg").write_bytes(b"x")
    (folder / "._zü é 1.JPG").write_bytes(b"x")
    (folder / "up").symlink_to(tmp_path, target_is_directory=True)
    (folder / "again.jpg").symlink_to(good)
    before = {p: p.lstat().st_mtime_ns for p in tmp_path.rglob("*")}
    card = read_card(tmp_path)
    assert {p: p.lstat().st_mtime_ns for p in tmp_path.rglob("*")} == before
    assert len(card.shots) == 1  # by one of its two names
    assert [place.rsplit("/", 1)[1] for place, _ in card.unreadable] == [
        "circle.jpg", "empty.jpg", "IMG_0003.NEF", "text.JPG",
    ]  # fmt: skip
    assert all(place.startswith("DCIM/100ACME/") for place, _ in card.unreadable)
    assert [n for n in card.notices if "counts once" in n]


@pytest.mark.skipif(os.name != "posix", reason="names of bytes")
def test_a_name_that_is_no_text_is_named_and_harms_nothing(tmp_path: Path) -> None:
    shoot(tmp_path / "IMG_0001.JPG")
    shutil.copy(tmp_path / "IMG_0001.JPG", os.fsencode(tmp_path) + b"/IMG_\xff.JPG")
    card = read_card(tmp_path)
    assert places(card) == ["IMG_0001.JPG"]
    [(place, why)] = card.unreadable
    assert place.encode()  # text that can be written anywhere
    assert "rename" in why


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_folder_that_may_not_be_read_is_named(tmp_path: Path) -> None:
    shoot(tmp_path / "a" / "IMG_0001.JPG")
    (tmp_path / "b").mkdir(mode=0)
    assert [place for place, _ in read_card(tmp_path).unreadable] == ["b"]


def test_no_card_and_a_card_pulled_out(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="not there"):
        read_card(tmp_path / "none")
    with pytest.raises(UnreadableFile, match="not a folder"):
        read_card(shoot(tmp_path / "a.jpg"))
    card = tmp_path / "card"
    shoot(card / "IMG_0001.JPG")

    def pull(function: Callable[[Any], Any], jobs: Iterable[Any]) -> list[Any]:
        shutil.rmtree(card, ignore_errors=True)
        return [function(job) for job in jobs]

    with pytest.raises(UnreadableFile, match="no longer there"):
        read_card(card, pull)


def test_an_empty_card_and_one_made_here(tmp_path: Path) -> None:
    assert read_card(tmp_path).shots == ()
    shoot(tmp_path / "OUT.jpg")
    (tmp_path / "OUT.report.json").write_text("{}")
    card = read_card(tmp_path)
    assert card.shots == ()
    assert "made earlier" in card.notices[0]


def test_threads_find_the_same(tmp_path: Path) -> None:
    for number in range(40):
        shoot(tmp_path / f"IMG_{number:04}.JPG", "2024:05:06 07:08:09")
    with ThreadPoolExecutor(4) as pool:
        assert read_card(tmp_path, pool.map) == read_card(tmp_path)
