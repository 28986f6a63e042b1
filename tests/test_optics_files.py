"""File formats' limits, bytes of a picture, space on the card, APEX."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from belvedere.compose import picture_format, preview_file
from belvedere.errors import PlanError
from belvedere.optics import file_limits
from belvedere.optics.card_space import card_space
from belvedere.optics.exposure import (
    aperture_value,
    brightness_value,
    exposure_value,
    speed_value,
    time_value,
)
from belvedere.optics.file_limits import FormatFit, deflated_bytes, fitting_formats, raw_bytes


def fits(*args: int, **kw: int) -> dict[str, FormatFit]:
    return {f.name: f for f in fitting_formats(*args, **kw)}


def test_limits_are_those_of_the_standards() -> None:
    # TIFF 6.0 section 2; ITU-T T.81 B.2.2; PNG specification 11.2.2; jmorecfg.h of libjpeg (from memory).
    assert file_limits.TIFF_BYTES == 4 * 1024**3
    assert file_limits.JPEG_SIDE == 65_535 == 2**16 - 1
    assert file_limits.JPEG_LIBRARY_SIDE == 65_500
    assert file_limits.PNG_SIDE == 2_147_483_647
    assert file_limits.TIFF_SIDE == 4_294_967_295


def test_limits_agree_with_what_writes_the_pictures() -> None:
    assert file_limits.TIFF_BYTES == picture_format.CLASSIC_LIMIT
    assert picture_format._TYPICAL_RATIO[16] == file_limits.DEFLATED_RATIO
    assert file_limits.JPEG_LIBRARY_SIDE == preview_file._LONGEST


def test_the_common_jpeg_library_stops_where_said() -> None:
    edge = file_limits.JPEG_LIBRARY_SIDE
    Image.new("L", (edge, 1)).save(io.BytesIO(), "JPEG")
    with pytest.raises((OSError, ValueError)):
        Image.new("L", (edge + 1, 1)).save(io.BytesIO(), "JPEG")


def test_a_tiff_s_offsets_are_32_bits_and_a_big_one_s_64() -> None:
    # TIFF 6.0 section 2: 42, then a 4-byte offset. BigTIFF: 43, offsets of 8 bytes.
    for big, version in ((False, 42), (True, 43)):
        file = io.BytesIO()
        tifffile.imwrite(file, np.zeros((4, 4, 3), np.uint16), photometric="rgb", bigtiff=big)
        head = file.getvalue()[:8]
        assert struct.unpack("<H", head[2:4])[0] == version
        if big:
            assert struct.unpack("<H", head[4:6])[0] == 8


def test_uncompressed_bytes_are_a_real_file_s() -> None:
    file = io.BytesIO()
    tifffile.imwrite(file, np.zeros((200, 300, 3), np.uint16), photometric="rgb", metadata=None)
    size = len(file.getvalue())
    assert raw_bytes(300, 200) == 360_000
    assert raw_bytes(300, 200) <= size < raw_bytes(300, 200) + 2000
    assert raw_bytes(300, 200, samples=4, bits=8) == 240_000
    assert deflated_bytes(300, 200, ratio=0.5) == 180_000
    assert deflated_bytes(300, 200) == 273_600


def test_a_small_picture_fits_everywhere() -> None:
    f = fits(20_000, 8_000)
    assert all(v.holds for v in f.values())
    assert f["JPEG"].bits == 8
    assert f["JPEG"].why == "it keeps 8 of 16 bits a sample"
    assert [f[n].why for n in ("TIFF", "BigTIFF", "PNG")] == ["", "", ""]
    assert fits(20_000, 8_000, bits=8)["JPEG"].why == ""
    assert "no place for coverage" in fits(20_000, 8_000, samples=4)["JPEG"].why


def test_tiff_ends_at_4_gib() -> None:
    # 4 GiB over 6 bytes a pixel: 715.8 megapixels.
    assert fits(26_000, 26_000)["TIFF"].fits == "yes"
    close = fits(28_000, 28_000)["TIFF"]
    assert close.fits == "if compressed"
    assert not close.holds
    assert close.why == (
        "the samples take 4.38 GiB, and a TIFF ends at 4 GiB (TIFF 6.0); compressed without loss expect "
        "about 3.33 GiB"
    )
    over = fits(40_000, 40_000)
    assert over["TIFF"].fits == "no"
    assert over["TIFF"].why == "the samples take 8.94 GiB, and a TIFF ends at 4 GiB (TIFF 6.0)"
    assert over["BigTIFF"].holds
    assert over["JPEG"].holds


@pytest.mark.parametrize(
    ("side", "holds", "word"),
    [
        (65_500, True, "it keeps 8 of 16"),
        (65_501, False, "more than 65,500 (the common library libjpeg; ITU-T T.81: 65,535)"),
        (65_535, False, "more than 65,500"),
        (65_536, False, "65,536 pixels, more than 65,535 (ITU-T T.81)"),
    ],
)
def test_jpeg_stops_at_its_sides(side: int, holds: bool, word: str) -> None:
    for size in ((side, 10), (10, side)):
        jpeg = fits(*size)["JPEG"]
        assert jpeg.holds is holds
        assert word in jpeg.why


def test_png_and_tiff_stop_at_their_sides() -> None:
    assert fits(2**31 - 1, 1)["PNG"].holds
    assert "PNG specification" in fits(2**31, 1)["PNG"].why
    assert fits(2**32 - 1, 1)["BigTIFF"].holds
    assert not fits(2**32, 1)["BigTIFF"].holds
    assert fits(2**32 - 1, 2**32 - 1)["BigTIFF"].fits == "no"
    assert "64-bit" in fits(2**32 - 1, 2**32 - 1)["BigTIFF"].why


@given(st.integers(1, 400_000), st.integers(1, 400_000), st.sampled_from([3, 4]), st.sampled_from([8, 16]))
def test_a_format_that_fails_says_why_and_bigtiff_always_holds(
    w: int, h: int, samples: int, bits: int
) -> None:
    found = fitting_formats(w, h, samples=samples, bits=bits)
    assert [f.name for f in found] == ["TIFF", "BigTIFF", "PNG", "JPEG"]
    assert found[1].holds
    assert all(f.holds or f.why for f in found)
    assert found[0].holds == (raw_bytes(w, h, samples=samples, bits=bits) + 2**20 <= 2**32)


@pytest.mark.parametrize(
    ("args", "kw", "sentence"),
    [
        ((0, 10), {}, "the picture's width must be a number above 0 pixels, not 0 pixels"),
        ((10, 2.5), {}, r"height must be a whole number of pixels, not 2\.5"),
        ((10, 10), {"samples": 0}, "at least 1 sample, not 0"),
        ((10, 10), {"bits": 12}, "8 or 16 bits, not 12"),
        ((10, 10), {"ratio": -1.0}, "the compression ratio must be a number above 0, not -1"),
    ],
)
def test_senseless_pictures_are_refused(args: tuple[int, int], kw: dict[str, int], sentence: str) -> None:
    with pytest.raises(PlanError, match=sentence):
        fitting_formats(*args, **kw)


def test_card_space() -> None:
    # 45 megapixels, 11 frames, at 1.2 and 0.45 bytes a pixel (common practice, no published source).
    space = card_space(11, 45.0)
    assert space.raw_bytes == 594_000_000
    assert space.jpeg_bytes == 222_750_000
    assert card_space(0, 45.0).raw_bytes == 0
    assert card_space(2, 10.0, raw_bytes_per_pixel=2.0).raw_bytes == 40_000_000
    with pytest.raises(PlanError, match="number of frames must be 0 or above, not -1"):
        card_space(-1, 45.0)
    with pytest.raises(PlanError, match="megapixels must be"):
        card_space(1, 0.0)


def test_apex_table() -> None:
    # CIPA DC-008 (Exif), annex on APEX: f/1, 1.4, 2 ... are Av 0, 1, 2; 1, 1/2, 1/4 ... s are Tv 0, 1, 2;
    # ISO 100, 200, 400 are Sv 5, 6, 7 (cited from memory).
    for av, n in enumerate((1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32)):
        assert aperture_value(n) == pytest.approx(av, abs=0.09)
    for tv, t in enumerate((1, 1 / 2, 1 / 4, 1 / 8, 1 / 15, 1 / 30, 1 / 60, 1 / 125, 1 / 250, 1 / 500)):
        assert time_value(t) == pytest.approx(tv, abs=0.1)
    for sv, iso in ((4, 50), (5, 100), (6, 200), (7, 400)):
        assert speed_value(iso) == pytest.approx(sv, rel=1e-12)
    # f/16 and 1/125 s is Ev 15, full sun at ISO 100 (common practice, no published source).
    assert exposure_value(16.0, 1 / 128) == pytest.approx(15.0)
    assert brightness_value(16.0, 1 / 128, 100.0) == pytest.approx(10.0)


@given(st.floats(0.5, 128.0), st.floats(1e-5, 1e4))
def test_apex_balances(n: float, t: float) -> None:
    # A stop of aperture against a stop of time leaves the exposure as it is.
    assert exposure_value(n * 2**0.5, t * 2.0) == pytest.approx(exposure_value(n, t), abs=1e-9)


def test_apex_refuses_what_has_no_logarithm() -> None:
    with pytest.raises(PlanError, match="the f-number must be"):
        aperture_value(0.0)
    with pytest.raises(PlanError, match="the exposure time must be a number above 0 s, not -1 s"):
        time_value(-1.0)
    with pytest.raises(PlanError, match="the ISO speed must be"):
        speed_value(0.0)
