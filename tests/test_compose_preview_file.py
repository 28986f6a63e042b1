"""Exif values of a set, and the preview that carries them, read back by other libraries."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
import simplejpeg
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.capture.frame import Metadata
from belvedere.compose.exif_block import ExifValues, common_values, exif_segment, exif_tags
from belvedere.compose.ifd import ASCII, LONG, RATIONAL, SHORT, UNDEFINED, rational_tag
from belvedere.compose.preview_file import write_preview
from belvedere.errors import OutputFailed

FIRST = Metadata(
    stored_width=6000,
    stored_height=4000,
    make="Bodymaker",
    model="Body 1",
    lens="Lens",
    focal_mm=50.0,
    focal_35mm=75.4,
    exposure_s=1 / 250,
    f_number=8.0,
    iso=100.0,
    taken=datetime(2024, 5, 6, 7, 8, 9),
    color_space=1,
)


def smooth(height: int, width: int) -> NDArray[np.uint8]:
    y, x = np.mgrid[:height, :width]
    return np.stack([x * 255 // width, y * 255 // height, np.full_like(x, 90)], axis=-1).astype(np.uint8)


def test_only_what_all_frames_say_is_carried() -> None:
    later = replace(FIRST, taken=datetime(2024, 5, 6, 7, 9), exposure_s=1 / 125, lens=None)
    values = common_values([FIRST, later, FIRST], frames=5)
    assert values == ExifValues(
        make="Bodymaker",
        model="Body 1",
        focal_mm=50.0,
        focal_35mm=75.4,
        f_number=8.0,
        iso=100.0,
        taken=FIRST.taken,
        color_space=1,
        frames=5,
        frames_used=3,
    )
    assert common_values([]) == ExifValues()


def test_nonsense_values_are_left_out() -> None:
    odd = ExifValues(focal_mm=0.0, exposure_s=-1.0, f_number=float("nan"), iso=0.0, focal_35mm=0.0)
    numbers = {tag.number for tag in exif_tags(odd, 10, 10)}
    assert numbers == {0x9000, 0xA000, 0xA001, 0xA002, 0xA003, 0xA460}


@given(st.floats(0.0, 2**32 - 1.0, allow_nan=False))
def test_fractions_are_near(value: float) -> None:
    numerator, denominator = np.frombuffer(rational_tag(282, value).data, "<u4").astype(np.uint64).tolist()
    assert abs(numerator / denominator - value) <= max(1e-6, value * 2e-4)


@pytest.mark.parametrize(
    ("seconds", "pair"), [(1 / 8000, (1, 8000)), (0.3, (3, 10)), (30.0, (30, 1)), (2.5, (5, 2))]
)
def test_exposure_times_are_the_fractions_a_camera_writes(seconds: float, pair: tuple[int, int]) -> None:
    tag = next(t for t in exif_tags(ExifValues(exposure_s=seconds), 1, 1) if t.number == 0x829A)
    assert tuple(np.frombuffer(tag.data, "<u4").tolist()) == pair


def test_types_are_those_of_the_standard() -> None:
    """Exif 2.32 (CIPA DC-008-2019), tables of section 4.6, from memory."""
    values = common_values([replace(FIRST, taken=datetime(2024, 5, 6, 7, 8, 9, 500_000))] * 2)
    kinds = {tag.number: (tag.kind, tag.count) for tag in exif_tags(values, 70_000, 10)}
    assert kinds == {
        0x829A: (RATIONAL, 1),
        0x829D: (RATIONAL, 1),
        0x8827: (SHORT, 1),
        0x9000: (UNDEFINED, 4),
        0x9003: (ASCII, 20),
        0x9291: (ASCII, 2),
        0x920A: (RATIONAL, 1),
        0xA000: (UNDEFINED, 4),
        0xA001: (SHORT, 1),
        0xA002: (LONG, 1),
        0xA003: (LONG, 1),
        0xA405: (SHORT, 1),
        0xA434: (ASCII, 5),
        0xA460: (SHORT, 1),
        0xA461: (SHORT, 2),
    }


def test_preview_is_read_by_other_libraries(tmp_path: Path) -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    rgb = smooth(101, 203)
    path = tmp_path / "Küste preview.jpg"
    write_preview(path, rgb, icc, common_values([FIRST, FIRST]), software="Belvedere 1")
    for seen in (simplejpeg.decode_jpeg(path.read_bytes()), cv2.imread(str(path))[..., ::-1]):
        assert seen.shape == rgb.shape
        assert np.abs(seen.astype(int) - rgb).mean() < 2.0
    with Image.open(path) as image:
        assert image.info["icc_profile"] == icc
        assert image.info["dpi"] == (300, 300)
        exif = image.getexif()
        ifd = exif.get_ifd(0x8769)
        block = image.info["exif"]
    assert (exif[271], exif[272], exif[274], exif[305]) == ("Bodymaker", "Body 1", 1, "Belvedere 1")
    assert 306 not in exif
    assert (ifd[0xA002], ifd[0xA003], ifd[0xA460], ifd[0x9003]) == (203, 101, 2, "2024:05:06 07:08:09")
    with tifffile.TiffFile(BytesIO(block[6:])) as file:  # the same block, read by a second library
        tags = {tag.code: tag.value for tag in file.pages[0].tags.values()}
    assert tags[34665]["ExposureTime"] == (1, 250)
    assert tags[34665]["FocalLengthIn35mmFilm"] == 75


def test_the_same_preview_has_the_same_bytes(tmp_path: Path) -> None:
    for name in "ab":
        write_preview(tmp_path / name, smooth(20, 30), None, ExifValues())
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_a_preview_that_fails_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(b"old")
    for bad in (
        np.zeros((4, 4), np.uint8),
        np.zeros((4, 4, 3), np.uint16),
        np.zeros((1, 65_536, 3), np.uint8),
    ):
        with pytest.raises(ValueError, match="a preview needs"):
            write_preview(path, bad, None, None)
    with pytest.raises(OutputFailed, match="there is no folder"):
        write_preview(tmp_path / "gone" / "p.jpg", smooth(4, 4), None, None)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["p.jpg"]


def test_segment_fits_one_marker() -> None:
    assert len(exif_segment(ExifValues(), 1, 1, pixels_per_inch=300, software="x")) < 65_533
