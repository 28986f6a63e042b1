"""Verifying: what has changed, what is gone, what is the same; and the two commands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from belvedere.cli.main import run
from belvedere.deliver.keep import keep_picture
from belvedere.deliver.keep_manifest import manifest_path
from belvedere.deliver.verify import verify
from belvedere.deliver.verify_words import verify_words
from belvedere.errors import UnreadableFile
from kept_sets import stitched


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    path, _ = stitched(tmp_path)
    out = tmp_path / "bay.keep.tif"
    keep_picture(path, out, workers=1)
    return out


def states(path: Path, sources: Path | None = None) -> dict[str, str]:
    return {checked.file: checked.state for checked in verify(path, sources).files}


def test_all_is_the_same(kept: Path) -> None:
    for path in (kept, manifest_path(kept)):
        assert set(states(path).values()) == {"same"}
        assert len(states(path)) == 6  # picture, report, three sources, what it was made from
        assert verify_words(verify(path)).startswith("Everything is as")


def test_a_changed_byte_anywhere_is_found(kept: Path) -> None:
    for file in (kept, kept.with_name("bay.keep.report.json"), kept.with_name("card") / "F_0001.JPG"):
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= 1
        file.write_bytes(bytes(data))
        found = states(kept)
        assert found.pop(file.name) == "changed"
        assert set(found.values()) == {"same"}
        data[len(data) // 2] ^= 1
        file.write_bytes(bytes(data))
    assert verify(kept).is_same


def test_missing_files_are_named_and_moved_ones_found(kept: Path, tmp_path: Path) -> None:
    away = tmp_path / "disk" / "one" / "two" / "three"
    away.parent.mkdir(parents=True)
    shutil.move(tmp_path / "card", away)
    assert [states(kept)[f"F_{i:04}.JPG"] for i in range(3)] == ["missing"] * 3
    assert "--sources" in verify_words(verify(kept))
    assert set(states(kept, tmp_path / "disk").values()) == {"same"}
    (away / "F_0000.JPG").unlink()
    found = verify(kept, tmp_path / "disk")
    assert not found.is_same
    assert "1 of 6 files is not as" in verify_words(found)
    assert "not found: F_0000.JPG" in verify_words(found)


def test_another_file_of_the_same_name_is_no_change_of_the_source(kept: Path, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    shutil.move(tmp_path / "card" / "F_0000.JPG", tmp_path / "gone.jpg")
    (tmp_path / "other" / "F_0000.JPG").write_bytes(b"another picture")
    shutil.move(tmp_path / "card", tmp_path / "zcard")
    assert states(kept, tmp_path / "zcard")["F_0000.JPG"] == "missing"


def test_the_picture_it_was_made_from_need_not_be_kept(kept: Path, tmp_path: Path) -> None:
    (tmp_path / "bay.tif").unlink()
    assert verify(kept).is_same
    assert "it is not needed" in verify_words(verify(kept))


def test_a_stitched_picture_is_checked_by_its_report(kept: Path, tmp_path: Path) -> None:
    found = verify(tmp_path / "bay.tif")
    assert found.is_same
    assert found.files[0].state == "not-on-record"
    (tmp_path / "card" / "F_0002.JPG").write_bytes(b"x")
    assert not verify(tmp_path / "bay.report.json").is_same


def test_a_record_that_is_none_is_told(kept: Path, tmp_path: Path) -> None:
    manifest = manifest_path(kept)
    content = json.loads(manifest.read_text())
    for change, why in (
        ({"schema": "x/1"}, "schema"),
        ({"picture": {}}, "missing"),
        ({"sources": 3}, "list"),
    ):
        manifest.write_text(json.dumps(content | change))
        with pytest.raises(UnreadableFile, match=why):
            verify(kept)
    content["picture"]["file"] = "../bay.tif"
    manifest.write_text(json.dumps(content))
    with pytest.raises(UnreadableFile, match="no file beside it"):
        verify(kept)
    (tmp_path / "alone.tif").write_bytes(b"x")
    for name, why in (("alone.tif", "not on record"), ("nothing.tif", "is not there")):
        with pytest.raises(UnreadableFile, match=why):
            verify(tmp_path / name)


def test_the_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = stitched(tmp_path)
    assert run(["deliver", str(path), "--for", "keep"]) == 0
    said = capsys.readouterr()
    assert "700 x 300 px, 16 bits a sample, 2 sizes; about" in said.out
    assert "SHA-256 of 3 source files" in said.out
    assert said.err == ""
    assert run(["verify", str(tmp_path / "bay.keep.tif")]) == 0
    assert "3 of 3 source files as they were" in capsys.readouterr().out
    (tmp_path / "card" / "F_0001.JPG").unlink()
    assert run(["verify", str(tmp_path / "bay.keep.tif"), "--quiet"]) == 3
    assert "1 of 6 files is not as" in capsys.readouterr().err
    path.with_name("bay.report.json").unlink()
    assert run(["deliver", str(path), "--for", "keep", "--out", str(tmp_path / "b.tif"), "--quiet"]) == 3
    assert "how the picture was made is not known" in capsys.readouterr().err
    assert run(["deliver", str(path), "--for", "keep", "--out", str(tmp_path / "b.png")]) == 2
    assert run(["deliver", str(tmp_path / "none.tif"), "--for", "keep"]) == 2
    assert run(["verify", str(tmp_path / "none.tif")]) == 2
    assert capsys.readouterr().err.count("\n") == 3
