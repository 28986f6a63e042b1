"""What a run takes on disk, and the sentence where it does not fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_store import FrameStore
from belvedere.errors import OutputFailed
from belvedere.pipeline import room_on_disk
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.room_on_disk import Need, check_needs, check_room
from belvedere.pipeline.scratch_estimate import estimate_scratch


def frames_of(sizes: list[tuple[int, int, int]]) -> list[Frame]:
    return [
        Frame((Exposure(Path(f"{i}.jpg"), Metadata(w, h, bits=bits)),))
        for i, (w, h, bits) in enumerate(sizes)
    ]


def test_decoded_frames_take_what_is_told(tmp_path: Path) -> None:
    sizes = [(300, 200, 8), (301, 77, 16)]
    store = FrameStore(tmp_path / "frames", frames_of(sizes))
    found = estimate_scratch(sizes)
    assert found.frames_bytes == store.bytes_needed()
    for i, (width, height, bits) in enumerate(sizes):
        store.add(i, np.zeros((height, width, 3), np.uint8 if bits == 8 else np.uint16), f"{i:064}")
    written = sum(file.stat().st_size for file in (tmp_path / "frames").glob("*.tiles"))
    assert written == found.frames_bytes


def test_seventy_frames_of_45_megapixels() -> None:
    found = estimate_scratch([(5478, 8216, 8)] * 70, 1.58e9)
    assert found.frames_bytes == pytest.approx(70 * 5478 * 8216 * 5.0, rel=0.01)  # 3 bytes a px, 2 for levels
    assert found.picture_bytes == pytest.approx(1.58e9 * 8 * 0.76, rel=0.01)
    assert estimate_scratch([(5478, 8216, 8)] * 70, picture_bits=None).picture_bytes == 0
    assert estimate_scratch([(5478, 8216, 8)] * 70).picture_bytes < found.picture_bytes


def test_a_full_disk_is_told_before_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room_on_disk, "free_bytes", lambda folder: 1_000_000_000)
    work = tmp_path / "work"
    (work / "frames").mkdir(parents=True)
    options = StitchOptions((tmp_path,), tmp_path / "out.tif", work=work)
    frames = frames_of([(5478, 8216, 8)] * 6)
    with pytest.raises(OutputFailed) as error:
        check_room(frames, options)
    said = str(error.value)
    assert "1.4 GB for the frames" in said
    assert "410 MB for the picture" in said
    assert "1.0 GB is free" in said
    assert "--work FOLDER" in said
    (work / "frames" / "one.tiles").write_bytes(b"")
    with (work / "frames" / "one.tiles").open("r+b") as file:
        file.truncate(900_000_000)  # what an earlier run left counts
    check_room(frames, options)


def test_each_disk_is_asked_for_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room_on_disk, "free_bytes", lambda folder: 1_000_000_000)
    check_needs([Need(tmp_path, "a", 900_000_000)])
    check_needs([Need(tmp_path / "gone", "nothing", 0)])
    with pytest.raises(OutputFailed, match="500 MB a and 600 MB b"):
        check_needs([Need(tmp_path, "a", 500_000_000), Need(tmp_path, "b", 600_000_000)])
