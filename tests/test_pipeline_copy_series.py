"""Copies of a card's series: whole and verified or not there, nothing written over, safe to stop anywhere."""

from __future__ import annotations

import errno
import hashlib
import io
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from belvedere.errors import BelvedereError, OutputFailed
from belvedere.pipeline import copy_file as copy_file_module
from belvedere.pipeline import copy_series as copy_series_module
from belvedere.pipeline.copies_words import copies_in_words, raise_if_nothing_copied
from belvedere.pipeline.copy_series import Copies, copy_series
from belvedere.pipeline.manifest import read_manifest
from belvedere.pipeline.progress import Progress
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard

A, B = "DCIM/100DEMO", "DCIM/101DEMO"
QUAY = ("VH_0001.JPG", "VH_0002.JPG", "VH_0003.JPG")


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A card with two series, raw files, sidecar files, and what belongs to no series."""
    card = tmp_path / "card"
    for name in (*QUAY, "VH_0004.JPG"):
        put(card / A / name)
    put(card / A / "VH_0001.DNG")
    put(card / A / "VH_0001.xmp")
    put(card / A / "VH_0002.JPG.xmp")
    put(card / A / "VH_0009.xmp")
    put(card / B / "VH_0001.JPG")
    put(card / B / "VH_0001.DNG")
    put(card / B / "VH_0002.JPG")
    return card


def put(file: Path, size: int = 3000) -> None:
    """A file whose content is its path's alone, with a time of its own."""
    file.parent.mkdir(parents=True, exist_ok=True)
    seed = hashlib.sha256(str(file.relative_to(file.parents[2])).encode()).digest()
    file.write_bytes((seed * (size // 32 + 1))[:size])
    os.utime(file, ns=(1_700_000_000_123_456_789, 1_700_000_001_987_654_321))


CARD = SortedCard(
    card="/media/card",
    series=(
        Series(
            name="quay",
            frames=(f"{A}/VH_0001.JPG", f"{A}/VH_0002.JPG", f"{B}/VH_0001.JPG"),
            rows=((f"{A}/VH_0001.JPG", f"{A}/VH_0002.JPG", f"{B}/VH_0001.JPG"),),
            twins={f"{A}/VH_0001.JPG": f"{A}/VH_0001.DNG", f"{B}/VH_0001.JPG": f"{B}/VH_0001.DNG"},
        ),
        Series(
            name="Küste früh",
            frames=(f"{A}/VH_0003.JPG",),
            rows=((f"{A}/VH_0003.JPG",),),
            brackets=((f"{A}/VH_0003.JPG", f"{B}/VH_0002.JPG"),),
        ),
    ),
    markers=(SetApart(f"{A}/VH_0004.JPG", "a hand"),),
)
WANTED = {
    "quay/VH_0001.JPG": f"{A}/VH_0001.JPG",
    "quay/VH_0001.DNG": f"{A}/VH_0001.DNG",
    "quay/VH_0001.xmp": f"{A}/VH_0001.xmp",
    "quay/VH_0002.JPG": f"{A}/VH_0002.JPG",
    "quay/VH_0002.JPG.xmp": f"{A}/VH_0002.JPG.xmp",
    "quay/VH_0001-2.JPG": f"{B}/VH_0001.JPG",
    "quay/VH_0001-2.DNG": f"{B}/VH_0001.DNG",
    "Küste früh/VH_0003.JPG": f"{A}/VH_0003.JPG",
    "Küste früh/VH_0002.JPG": f"{B}/VH_0002.JPG",
}


def snapshot(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file's content and time of change."""
    return {
        file.relative_to(folder).as_posix(): (file.read_bytes(), file.stat().st_mtime_ns)
        for file in sorted(folder.rglob("*"))
        if file.is_file()
    }


def copy(root: Path, into: Path) -> Copies:
    return copy_series(CARD, root, into, Progress(io.StringIO(), False))


def assert_all_there(root: Path, into: Path) -> None:
    found = snapshot(into)
    manifest = read_manifest(into)
    assert manifest is not None
    del found["manifest.json"]
    assert found == {copied: snapshot(root)[file] for copied, file in WANTED.items()}
    listed = {entry.copy: (entry.file, entry.bytes, entry.sha256) for entry in manifest.files}
    assert listed == {
        copied: (file, len(data), hashlib.sha256(data).hexdigest())
        for copied, file in WANTED.items()
        for data in [(root / file).read_bytes()]
    }


# What comes of it


def test_everything_of_a_series_goes_along_and_the_card_stays_as_it_is(root: Path, tmp_path: Path) -> None:
    before = snapshot(root)
    copies = copy(root, tmp_path / "into")
    assert copies.is_complete
    assert_all_there(root, tmp_path / "into")
    assert snapshot(root) == before
    assert copies_in_words(copies).startswith("Copied 9 files (1 MB) into ")


def test_a_second_run_verifies_and_writes_nothing(root: Path, tmp_path: Path) -> None:
    copy(root, tmp_path / "into")
    before = {file: file.stat().st_ino for file in (tmp_path / "into").rglob("*.JPG")}
    copies = copy(root, tmp_path / "into")
    assert copies.were_there == len(WANTED)
    assert {file: file.stat().st_ino for file in before} == before
    assert_all_there(root, tmp_path / "into")
    assert "already, verified again" in copies_in_words(copies)


def test_a_damaged_copy_is_found_by_the_second_run_and_not_written_over(root: Path, tmp_path: Path) -> None:
    into = tmp_path / "into"
    copy(root, into)
    hurt = into / "quay" / "VH_0002.JPG"
    data = bytearray(hurt.read_bytes())
    data[1000] ^= 1
    hurt.write_bytes(data)
    copies = copy(root, into)
    assert [file for file, _ in copies.failed] == [f"{A}/VH_0002.JPG"]
    assert hurt.read_bytes() == data
    manifest = read_manifest(into)
    assert manifest is not None
    assert len(manifest.files) == len(WANTED)  # what an earlier run knew is not forgotten


@pytest.mark.parametrize("size", [5, 3000])
def test_another_file_of_the_name_stays_and_the_others_are_copied(
    root: Path, tmp_path: Path, size: int
) -> None:
    into = tmp_path / "into"
    (into / "quay").mkdir(parents=True)
    own = into / "quay" / "VH_0002.JPG"
    own.write_bytes(b"x" * size)
    copies = copy(root, into)
    assert own.read_bytes() == b"x" * size
    ((file, why),) = copies.failed
    assert file == f"{A}/VH_0002.JPG"
    assert "another file has this name" in why
    assert len(copies.files) == len(WANTED) - 1
    assert "Copied 8 of 9 files" in copies_in_words(copies)


def test_the_same_name_in_another_case_gets_a_number(root: Path, tmp_path: Path) -> None:
    put(root / B / "vh_0002.jpg")
    frames = (f"{A}/VH_0002.JPG", f"{B}/vh_0002.jpg")
    card = SortedCard(card="c", series=(Series(name="s", frames=frames, rows=(frames,)),))
    copy_series(card, root, tmp_path / "into", Progress(io.StringIO(), False))
    names = sorted(file.name for file in (tmp_path / "into" / "s").iterdir())
    assert names == ["VH_0002.JPG", "VH_0002.JPG.xmp", "vh_0002-2.jpg"]


def test_copies_that_the_card_was_sorted_into_before_are_named_and_stay(root: Path, tmp_path: Path) -> None:
    into = tmp_path / "into"
    copy(root, into)
    series = Series(name="quay", frames=(f"{A}/VH_0002.JPG",), rows=((f"{A}/VH_0002.JPG",),))
    copies = copy_series(SortedCard(card="c", series=(series,)), root, into, Progress(io.StringIO(), False))
    (notice,) = copies.notices
    assert "quay holds VH_0001-2.DNG and 4 more besides" in notice
    assert (into / "quay" / "VH_0001.JPG").is_file()


# Stopped in the middle


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
@pytest.mark.parametrize("when", ["pour", "read back"])
def test_a_run_killed_in_the_middle_of_a_file_leaves_no_half_file_and_is_made_good(
    root: Path, tmp_path: Path, when: str
) -> None:
    put(root / A / "VH_0002.JPG", 6_000_000)
    into = tmp_path / "into"
    script = f"""
import io, os, signal
from pathlib import Path
from belvedere.pipeline import copy_file as module
from belvedere.pipeline.copy_series import copy_series
from belvedere.pipeline.progress import Progress
from tests.test_pipeline_copy_series import CARD
class Killer(Progress):
    seen = 0
    def advance(self, share):
        self.seen += 1
        if self.seen == {8 if when == "pour" else 10}:
            os.kill(os.getpid(), signal.SIGKILL)
copy_series(CARD, Path({str(root)!r}), Path({str(into)!r}), Killer(io.StringIO(), False))
"""
    done = subprocess.run([sys.executable, "-c", script], cwd=Path(__file__).parents[1], check=False)
    assert done.returncode == -signal.SIGKILL
    parts = [file.name for file in into.rglob(".*")]
    assert [name.startswith(".VH_0002.JPG.part-") for name in parts] == [True]
    assert not (into / "quay" / "VH_0002.JPG").exists()
    assert (into / "quay" / "VH_0001.JPG").read_bytes() == (root / A / "VH_0001.JPG").read_bytes()
    copies = copy(root, into)
    assert copies.is_complete
    assert copies.were_there == 3
    assert_all_there(root, into)


def stop_at(monkeypatch: pytest.MonkeyPatch, number: int, act: Callable[[], None]) -> None:
    """Act when the copying of the number-th file begins."""
    plain, seen = copy_file_module.copy_file, []

    def counted(source: Path, target: Path, advance: Callable[[int], None]) -> copy_file_module.Copy:
        seen.append(source)
        if len(seen) == number:
            act()
        return plain(source, target, advance)

    monkeypatch.setattr(copy_series_module, "copy_file", counted)


def test_ctrl_c_leaves_a_manifest_of_what_is_there(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt() -> None:
        raise KeyboardInterrupt

    stop_at(monkeypatch, 4, interrupt)
    with pytest.raises(KeyboardInterrupt):
        copy(root, tmp_path / "into")
    manifest = read_manifest(tmp_path / "into")
    assert manifest is not None
    assert len(manifest.files) == 3
    monkeypatch.undo()
    assert copy(root, tmp_path / "into").were_there == 3
    assert_all_there(root, tmp_path / "into")


def test_a_card_pulled_out_stops_the_copying_and_what_is_done_stays(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    away = tmp_path / "pulled"
    stop_at(monkeypatch, 5, lambda: shutil.move(root, away) and None)
    copies = copy(root, tmp_path / "into")
    assert copies.stopped is not None
    assert len(copies.files) == 4
    said = copies_in_words(copies)
    assert "stopped after 4 of 9 files: the card can no longer be read. Put it back" in said
    monkeypatch.undo()
    shutil.move(away, root)
    assert copy(root, tmp_path / "into").is_complete
    assert_all_there(root, tmp_path / "into")


def test_a_card_whose_files_are_gone_stops_it_too_where_the_folder_remains(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop_at(monkeypatch, 5, lambda: shutil.rmtree(root / "DCIM"))
    copies = copy(root, tmp_path / "into")
    assert copies.stopped is not None
    assert (len(copies.files), len(copies.failed)) == (4, 3)


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs a file that fails while it is read")
def test_a_file_that_cannot_be_read_is_named_and_the_others_are_copied(root: Path, tmp_path: Path) -> None:
    (root / A / "VH_0002.JPG").unlink()
    (root / A / "VH_0002.JPG").symlink_to("/proc/self/mem")  # EIO at its first byte, as a bad sector
    copies = copy(root, tmp_path / "into")
    assert copies.stopped is None
    ((file, why),) = copies.failed
    assert file == f"{A}/VH_0002.JPG"
    assert "cannot be read (Input/output error)" in why
    assert len(copies.files) == len(WANTED) - 1
    assert not list((tmp_path / "into").rglob(".*"))


def test_a_disk_that_fills_up_stops_it_and_what_is_done_stays(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    stop_at(monkeypatch, 3, lambda: monkeypatch.setattr(copy_file_module.os, "fsync", full))
    copies = copy(root, tmp_path / "into")
    assert "the disk is full" in (copies.stopped or "")
    assert len(copies.files) == 2
    assert not list((tmp_path / "into").rglob(".*"))
    monkeypatch.undo()
    assert copy(root, tmp_path / "into").is_complete
    assert_all_there(root, tmp_path / "into")


def test_a_copy_that_reads_back_otherwise_never_gets_its_name(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copy_file_module, "_read_back", lambda part, advance: "0" * 64)
    copies = copy(root, tmp_path / "into")
    assert "what was read back is not what was written" in (copies.stopped or "")
    assert not [file for file in (tmp_path / "into").rglob("*") if file.is_file()]
    with pytest.raises(BelvedereError, match=r"nothing was copied: .*read back"):
        raise_if_nothing_copied(copies)


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_appears_meanwhile_is_not_written_over(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))  # as file systems of cards do

    if not links:
        monkeypatch.setattr(copy_file_module.os, "link", no_links)
    own = tmp_path / "own.JPG"
    with pytest.raises(copy_file_module.DifferentFile, match="appeared while it was being copied"):
        copy_file_module.copy_file(root / A / "VH_0001.JPG", own, lambda _: own.write_text("mine") and None)
    assert own.read_text() == "mine"
    assert not list(tmp_path.glob(".*"))
    copied = copy_file_module.copy_file(root / A / "VH_0001.JPG", tmp_path / "other.JPG")
    assert not copied.was_there
    assert (tmp_path / "other.JPG").read_bytes() == (root / A / "VH_0001.JPG").read_bytes()
    assert not list(tmp_path.glob(".*"))


# What is asked before


def test_too_little_room_is_said_before_anything_is_copied(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copy_series_module, "free_bytes", lambda folder: 20_000)
    with pytest.raises(OutputFailed, match=r"the copies take 1 MB, and 1 MB are free. Free some space"):
        copy(root, tmp_path / "into")
    assert not list((tmp_path / "into").rglob("*.JPG"))


@pytest.mark.parametrize(
    ("into", "words"),
    [
        ("card/copies", "lies on the card, which is never written to"),
        ("card", "lies on the card"),
        ("file", "is a file. Choose a folder"),
        ("nowhere/into", "there is no folder"),
    ],
)
def test_a_folder_that_cannot_be_used_is_refused(root: Path, tmp_path: Path, into: str, words: str) -> None:
    (tmp_path / "file").touch()
    before = snapshot(root)
    with pytest.raises(OutputFailed, match=words):
        copy(root, tmp_path / into)
    assert snapshot(root) == before


def test_a_series_folder_that_leads_back_to_the_card_is_refused(root: Path, tmp_path: Path) -> None:
    into = tmp_path / "into"
    into.mkdir()
    (into / "quay").symlink_to(root / A)
    before = snapshot(root)
    with pytest.raises(OutputFailed, match="leads to the card"):
        copy(root, into)
    assert snapshot(root) == before


def test_a_folder_with_copies_of_another_card_is_refused(root: Path, tmp_path: Path) -> None:
    copy(root, tmp_path / "into")
    put(tmp_path / "other" / A / "VH_0001.JPG", 2222)
    frames = (f"{A}/VH_0001.JPG",)
    card = SortedCard(card="c", series=(Series(name="quay", frames=frames, rows=(frames,)),))
    with pytest.raises(OutputFailed, match=r"holds copies of another card \(/media/card\)"):
        copy_series(card, tmp_path / "other", tmp_path / "into", Progress(io.StringIO(), False))
    assert_all_there(root, tmp_path / "into")


@pytest.mark.parametrize(
    "text", ["", '{"schema": "belvedere.copies/1", "card": "c", "files": [{"file": "a"}]}']
)
def test_a_manifest_that_cannot_be_read_is_not_written_over(root: Path, tmp_path: Path, text: str) -> None:
    into = tmp_path / "into"
    into.mkdir()
    (into / "manifest.json").write_text(text)
    with pytest.raises(OutputFailed, match=r"manifest.json: .*Move it away"):
        copy(root, into)
    assert (into / "manifest.json").read_text() == text
