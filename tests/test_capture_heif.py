"""HEIF pictures by the optional extra: named where it is missing, refused where cut short, turned once.

No video coder is at hand to write a HEIF picture, so the library's place is taken by a stand-in that behaves
as it was seen to with pictures of telephones and cameras: turned already, Exif Orientation as written.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure
from belvedere.capture.glance import embedded_look, reduced_look
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", len(content) + 8, kind) + content


FILE = box(b"ftyp", b"heic\0\0\0\0mif1heic") + box(b"mdat", bytes(3000))


class Picture:
    """A picture whose memory goes when it does."""

    def __init__(self, pixels: NDArray[np.uint8], mode: str, info: dict[str, Any]) -> None:
        self.pixels, self.mode, self.info = pixels, mode, info
        self.size = (pixels.shape[1], pixels.shape[0])

    @property
    def __array_interface__(self) -> dict[str, Any]:
        data = memoryview(self.pixels.reshape(-1))
        return {"shape": self.pixels.shape, "typestr": "|u1", "version": 3, "data": data}

    def __del__(self) -> None:
        self.pixels[...] = 0


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What the library says of the next file."""
    exif = Image.Exif()
    exif[0x0112], exif[0x0110] = 6, "Box One"
    given: dict[str, Any] = {"mode": "RGB", "info": {"exif": exif.tobytes(), "icc_profile": b"profile"}}
    pixels = np.zeros((60, 40, 3), np.uint8)
    pixels[:20] = (250, 100, 10)
    given["pixels"] = pixels

    def open_heif(path: str, **options: object) -> Picture:
        assert options["convert_hdr_to_8bit"]
        return Picture(given["pixels"].copy(), given["mode"], given["info"])

    monkeypatch.setitem(sys.modules, "pi_heif", SimpleNamespace(open_heif=open_heif))
    return given


def test_a_turned_picture_is_not_turned_again(tmp_path: Path, stand_in: dict[str, Any]) -> None:
    file = tmp_path / "a.heic"
    file.write_bytes(FILE)
    metadata = read_metadata(file)
    assert (metadata.stored_width, metadata.stored_height, metadata.orientation) == (40, 60, 1)
    assert (metadata.model, metadata.bits, metadata.profile) == ("Box One", 8, b"profile")
    exposure = Exposure(file, metadata)
    np.testing.assert_array_equal(decode(exposure), stand_in["pixels"])
    assert embedded_look(exposure) is None
    assert reduced_look(exposure, long_side=30).image.shape == (30, 20, 3)
    assert reduced_look(exposure, long_side=30).image[3, 3].tolist() == [250, 100, 10]


def test_grey_comes_in_three_channels(tmp_path: Path, stand_in: dict[str, Any]) -> None:
    file = tmp_path / "a.hif"
    file.write_bytes(FILE)
    stand_in |= {"pixels": stand_in["pixels"][..., 0], "mode": "L"}
    assert decode(Exposure(file, read_metadata(file)))[3, 3].tolist() == [250, 250, 250]


@pytest.mark.parametrize(
    ("mode", "info", "words"),
    [
        ("L", {"bit_depth": 10}, "deep grey"),
        ("RGB", {"nclx_profile": {"transfer_characteristics": 16}}, "high dynamic range"),
        ("RGB", {"nclx_profile": {"transfer_characteristics": 18}}, "high dynamic range"),
    ],
)
def test_what_would_come_out_wrong_is_refused(
    tmp_path: Path, stand_in: dict[str, Any], mode: str, info: dict[str, Any], words: str
) -> None:
    """ITU-T H.273: transfer characteristics 16 (SMPTE ST 2084) and 18 (hybrid log-gamma)."""
    file = tmp_path / "a.heic"
    file.write_bytes(FILE)
    stand_in |= {"mode": mode, "info": info}
    with pytest.raises(UnreadableFile, match=words):
        read_metadata(file)


def test_without_the_extra_it_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.heic"
    file.write_bytes(FILE)
    monkeypatch.setitem(sys.modules, "pi_heif", None)
    with pytest.raises(UnreadableFile, match=r"belvedere\[heif\]"):
        read_metadata(file)


@pytest.mark.parametrize("kept", [30, 200, len(FILE) - 1])
def test_a_cut_off_file_is_refused_before_the_library_fills_it_up(
    tmp_path: Path, stand_in: dict[str, Any], kept: int
) -> None:
    file = tmp_path / "a.heic"
    file.write_bytes(FILE[:kept])
    with pytest.raises(UnreadableFile, match="cut short"):
        read_metadata(file)


def test_the_library_itself_refuses_what_is_no_picture(tmp_path: Path) -> None:
    pytest.importorskip("pi_heif")
    file = tmp_path / "a.heic"
    file.write_bytes(FILE)
    with pytest.raises(UnreadableFile, match="cut short or damaged"):
        read_metadata(file)
