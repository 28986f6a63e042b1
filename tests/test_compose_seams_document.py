"""Seams written and read back, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from belvedere.compose.seams import Seams
from belvedere.compose.seams_document import read_seams, write_seams
from belvedere.errors import UnreadableFile

SEAMS = Seams(8, np.random.default_rng(0).integers(-1, 5, (20, 31)).astype(np.int16), 0.125)


def test_round_trip(tmp_path: Path) -> None:
    write_seams(SEAMS, tmp_path / "seams.json")
    back = read_seams(tmp_path / "seams.json")
    assert (back.step, back.crossed_fraction) == (8, 0.125)
    assert back.labels.dtype == np.int16
    np.testing.assert_array_equal(back.labels, SEAMS.labels)
    assert json.loads((tmp_path / "seams.json").read_text())["schema"] == "belvedere.seams/1"


def test_other_bytes_beside_it_are_refused(tmp_path: Path) -> None:
    write_seams(SEAMS, tmp_path / "seams.json")
    data = bytearray((tmp_path / "seams.npy").read_bytes())
    data[-1] ^= 1
    (tmp_path / "seams.npy").write_bytes(bytes(data))
    with pytest.raises(UnreadableFile, match=r"seams\.npy"):
        read_seams(tmp_path / "seams.json")


@pytest.mark.parametrize(
    "change", [{"schema": "other/1"}, {"step": 6}, {"labels": None}, {"crossed_fraction": 2}]
)
def test_a_document_of_another_kind_is_refused(tmp_path: Path, change: dict[str, object]) -> None:
    path = tmp_path / "seams.json"
    write_seams(SEAMS, path)
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(UnreadableFile):
        read_seams(path)


def test_missing_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFile, match="could not be read"):
        read_seams(tmp_path / "seams.json")
    write_seams(SEAMS, tmp_path / "seams.json")
    (tmp_path / "seams.npy").unlink()
    with pytest.raises(UnreadableFile, match="could not be read"):
        read_seams(tmp_path / "seams.json")
