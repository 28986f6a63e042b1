"""What a file says of itself is read, and what cannot be true is not believed."""

from __future__ import annotations

import io
import math
import warnings
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from belvedere.capture import exif
from belvedere.capture.frame import Metadata
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile

DATA = Path(__file__).parents[2] / "shared" / "data"
PIXELS = np.full((40, 60, 3), 99, np.uint8)


def write(file: Path, base: dict[int, Any], sub: dict[int, Any], **options: Any) -> Metadata:
    block = Image.Exif()
    for tag, value in base.items():
        block[tag] = value
    block.get_ifd(exif.EXIF_IFD).update(sub)
    if file.suffix == ".tif":
        block[exif.EXIF_IFD] = 0  # else Pillow does not write a TIFF's Exif directory
    Image.fromarray(PIXELS).save(file, exif=block, **options)
    return read_metadata(file)


FULL: tuple[dict[int, Any], dict[int, Any]] = (
    {exif.MAKE: "Acme\0\0", exif.MODEL: "  Box One \0junk", exif.ORIENTATION: 6},
    {
        exif.EXPOSURE_TIME: IFDRational(1, 250),
        exif.F_NUMBER: IFDRational(8, 1),
        exif.SENSITIVITY: 200,
        exif.FOCAL_LENGTH: IFDRational(501, 10),
        exif.FOCAL_LENGTH_35MM: 75,
        exif.TIME_ORIGINAL: "2024:05:06 07:08:09",
        exif.SUBSEC_ORIGINAL: "25",
        exif.FOCAL_PLANE_X: IFDRational(60, 1),
        exif.FOCAL_PLANE_Y: IFDRational(60, 1),
        exif.FOCAL_PLANE_UNIT: 3,
        exif.COLOR_SPACE: 1,
        exif.LENS_MODEL: "Acme 50\0",
        exif.BODY_SERIAL: "007",
        exif.ELEVATION_ANGLE: IFDRational(-35, 10),
        exif.EXPOSURE_BIAS: IFDRational(-1, 3),
        exif.SUBJECT_DISTANCE: IFDRational(25, 10),
        exif.EXPOSURE_MODE: 1,
        exif.WHITE_BALANCE: 0,
    },
)


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_every_field_comes_out_of_every_container(tmp_path: Path, suffix: str) -> None:
    metadata = write(tmp_path / f"a{suffix}", *FULL)
    assert metadata == Metadata(
        stored_width=60,
        stored_height=40,
        orientation=6,
        bits=8,
        make="Acme",
        model="Box One",
        lens="Acme 50",
        serial="007",
        focal_mm=50.1,
        focal_35mm=75.0,
        focal_plane_px_per_mm=6.0,
        exposure_s=1 / 250,
        f_number=8.0,
        iso=200.0,
        taken=datetime(2024, 5, 6, 7, 8, 9, 250000),
        pitch_deg=-3.5,
        color_space=1,
        white_balance_auto=True,
        exposure_auto=False,
        exposure_bias_ev=-1 / 3,
        subject_distance_m=2.5,
    )
    assert (metadata.width, metadata.height) == (40, 60)


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_nonsense_is_not_believed(tmp_path: Path, suffix: str) -> None:
    metadata = write(
        tmp_path / f"a{suffix}",
        {exif.ORIENTATION: 9, exif.MODEL: "\0\0"},
        {
            exif.EXPOSURE_TIME: IFDRational(1, 0),
            exif.F_NUMBER: IFDRational(0, 0),
            exif.SENSITIVITY: 65535,
            exif.FOCAL_LENGTH: IFDRational(0, 1),
            exif.FOCAL_LENGTH_35MM: 0,
            exif.TIME_ORIGINAL: "0000:00:00 00:00:00",
            exif.SUBSEC_ORIGINAL: "x",
            exif.FOCAL_PLANE_X: IFDRational(60, 0),
            exif.SUBJECT_DISTANCE: IFDRational(0, 1),
            exif.EXPOSURE_BIAS: IFDRational(1, 0),
            exif.EXPOSURE_MODE: 9,
            exif.EXPOSURE_PROGRAM: 0,
            exif.WHITE_BALANCE: 7,
        },
    )
    assert metadata == Metadata(stored_width=60, stored_height=40)


@pytest.mark.parametrize(
    ("unit", "expected"), [(1, 60 / 25.4), (2, 60 / 25.4), (3, 6.0), (4, 60.0), (5, None), (77, None)]
)
def test_units_of_focal_plane_resolution(unit: int, expected: float | None) -> None:
    """Exif knows 2 (inch) and 3 (cm); TIFF/EP (ISO 12234-2) adds 4 (mm) and 5 (um); 60 per um is absurd."""
    tags = {exif.FOCAL_PLANE_X: 60.0, exif.FOCAL_PLANE_UNIT: unit}
    found = exif.settings(tags, 240, 160)["focal_plane_px_per_mm"]
    assert found == (pytest.approx(expected) if expected is not None else None)


def test_focal_plane_resolution_follows_a_reduced_and_a_turned_file() -> None:
    tags = {exif.FOCAL_PLANE_X: 2500.0, exif.FOCAL_PLANE_Y: 2000.0, exif.FOCAL_PLANE_UNIT: 3}
    tags |= {exif.PIXEL_X: 6000, exif.PIXEL_Y: 4000}
    assert exif.settings(tags, 6000, 4000)["focal_plane_px_per_mm"] == pytest.approx(250.0)
    assert exif.settings(tags, 1500, 1000)["focal_plane_px_per_mm"] == pytest.approx(62.5)
    assert exif.settings(tags, 4000, 6000)["focal_plane_px_per_mm"] == pytest.approx(200.0)


def test_what_stands_in_for_a_missing_tag() -> None:
    """APEX values: Exif 2.32, annex C; ISO beyond 16 bits and index R03: likewise, and DCF 2.0."""
    found = exif.settings(
        {
            exif.SHUTTER_SPEED_VALUE: 8.0,
            exif.APERTURE_VALUE: 6.0,
            exif.SENSITIVITY: 65535,
            exif.RECOMMENDED_EXPOSURE_INDEX: 102400,
            exif.COLOR_SPACE: 65535,
            exif.INTEROPERABILITY_INDEX: "R03\0",
            exif.LENS_SPECIFICATION: ((18, 1), (105, 1), (4, 1), (4, 1)),
            exif.TIME_DIGITIZED: "2001:02:03 04:05:06",
        },
        60,
        40,
    )
    assert found["exposure_s"] == 1 / 256
    assert found["f_number"] == 8.0
    assert found["iso"] == 102400.0
    assert found["color_space"] == 2
    assert found["lens"] == "18-105 mm f/4"
    assert found["taken"] == datetime(2001, 2, 3, 4, 5, 6)
    assert exif.settings({exif.SENSITIVITY: (400, 400)}, 60, 40)["iso"] == 400.0


@pytest.mark.parametrize(
    ("mode", "program", "expected"),
    [(0, 1, True), (1, 2, False), (2, 1, False), (2, 3, True), (None, 1, False), (None, 4, True),
     (None, 0, None), (None, None, None), (2, None, None)],
)  # fmt: skip
def test_who_chose_the_exposure(mode: int | None, program: int | None, expected: bool | None) -> None:
    """Exif 3.0, ExposureMode 0xA402 (0 auto, 1 manual, 2 bracket), ExposureProgram 0x8822 (1 manual)."""
    tags = {exif.EXPOSURE_MODE: mode, exif.EXPOSURE_PROGRAM: program}
    found = exif.settings({t: v for t, v in tags.items() if v is not None}, 60, 40)
    assert found["exposure_auto"] is expected


@pytest.mark.parametrize("written", [(0xFFFFFFFF, 1), IFDRational(0xFFFFFFFF, 1)])
def test_a_subject_at_infinity(written: Any) -> None:
    """Exif 3.0, SubjectDistance 0x9206: a numerator of FFFFFFFF means infinity, 0 that it is unknown."""
    assert exif.settings({exif.SUBJECT_DISTANCE: written}, 60, 40)["subject_distance_m"] == math.inf


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 299), st.integers(1, 40))
def test_a_damaged_exif_block_never_raises(junk: bytes, at: int, length: int) -> None:
    """Neither junk nor a good block with a part overwritten."""
    block = Image.Exif()
    block[exif.MODEL] = "Box One"
    block.get_ifd(exif.EXIF_IFD).update(FULL[1])
    good = block.tobytes()
    for data in (junk, b"Exif\0\0II*\0" + junk, good[:at] + junk[:length] + good[at + length :]):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = exif.settings(exif.tags_of_block(data), 60, 40)
        Metadata(stored_width=60, stored_height=40, **found)


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_profiles_of_any_length_come_out_whole(tmp_path: Path, suffix: str) -> None:
    """A JPEG splits a profile over APP2 segments of less than 64 KiB (ICC.1:2022, annex B.4)."""
    profile = np.random.default_rng(1).integers(0, 256, 200_000, np.uint8).tobytes()
    file = tmp_path / f"a{suffix}"
    Image.fromarray(PIXELS).save(file, icc_profile=profile)
    assert read_metadata(file).profile == profile


@pytest.mark.parametrize("big", [False, True])
def test_sixteen_bit_tiff_written_by_another_library(tmp_path: Path, big: bool) -> None:
    file = tmp_path / "a.tif"
    tifffile.imwrite(
        file, PIXELS.astype(np.uint16), photometric="rgb", bigtiff=big, iccprofile=b"profile" * 30,
        extratags=[(274, 3, 1, 8, True), (272, 2, 0, "Box One", True)],
    )  # fmt: skip
    metadata = read_metadata(file)
    assert (metadata.bits, metadata.orientation, metadata.model) == (16, 8, "Box One")
    assert metadata.profile is not None
    assert metadata.profile.startswith(b"profile")


def test_bad_files_say_in_one_line_what_they_are(tmp_path: Path) -> None:
    cases = {
        "empty.jpg": (b"", "is empty"),
        "text.JPG": (b"Dear diary, the light was good today.", "not a picture"),
        "head.jpg": (b"\xff\xd8\xff\xe1", "cut short"),
        "head.png": (b"\x89PNG\r\n\x1a\n\0\0", "cut short"),
        "head.tif": (b"II*\0\x08\0\0\0", "cut short"),
        "loop.tif": (b"II*\0\x08\0\0\0\0\0\x08\0\0\0", "cut short"),
        "a.avif": (b"\0\0\0\x18ftypavif" + bytes(20), "save it as"),
        "a.nef": (b"junk", "cut short"),
    }
    for name, (data, words) in cases.items():
        file = tmp_path / name
        file.write_bytes(data)
        with pytest.raises(UnreadableFile, match=words) as caught:
            read_metadata(file)
        assert caught.value.file == file
        assert "\n" not in str(caught.value)


def test_exif_of_eleven_makes_as_tifffile_reads_it() -> None:
    """Pillow's reading, through ours, against tifffile's of the same APP1 bytes."""
    files = sorted((DATA / "raw" / "jpeg-makers").glob("*.jpg"))
    if not files:
        pytest.skip("the shared photographs are not on this machine")
    for file in files:
        metadata = read_metadata(file)
        block = Image.open(file).info["exif"][6:]
        with tifffile.TiffFile(io.BytesIO(block)) as tiff:
            base = {tag.name: tag.value for tag in tiff.pages[0].tags}
        told = base["ExifTag"]
        assert metadata.model == " ".join(base["Model"].split("\0")[0].split())
        assert metadata.exposure_s == (
            pytest.approx(told["ExposureTime"][0] / told["ExposureTime"][1])
            if "ExposureTime" in told
            else pytest.approx(2.0 ** -(told["ShutterSpeedValue"][0] / told["ShutterSpeedValue"][1]))
        )
        assert metadata.focal_mm == pytest.approx(told["FocalLength"][0] / told["FocalLength"][1])
        told_wb = {0: True, 1: False}.get(int(told["WhiteBalance"])) if "WhiteBalance" in told else None
        assert metadata.white_balance_auto is told_wb
        if "ExposureMode" in told:
            assert metadata.exposure_auto is {0: True, 1: False}[int(told["ExposureMode"])]
        if "ExposureBiasValue" in told:
            over, under = told["ExposureBiasValue"]
            assert metadata.exposure_bias_ev == pytest.approx(over / under)
        written = str(told["DateTimeOriginal"])
        assert (metadata.taken is None) == written.startswith("0000")
        if metadata.taken is not None:
            assert f"{metadata.taken:%Y:%m:%d %H:%M:%S}" == written[:19]


def test_every_shared_photograph_reads() -> None:
    files = sorted((DATA / "real").rglob("*.[jJ][pP][gG]"))
    if not files:
        pytest.skip("the shared photographs are not on this machine")
    for file in files:
        metadata = read_metadata(file)
        with Image.open(file) as image:
            assert image.size == (metadata.stored_width, metadata.stored_height)
