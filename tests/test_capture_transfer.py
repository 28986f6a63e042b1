"""Curves and colours of frames: profiles of other libraries, standards' formulas, and the unknown."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.icc import read_profile
from belvedere.capture.primaries import (
    common_profile,
    profile_name,
    same_primaries,
    srgb_profile,
    wide_profile,
)
from belvedere.capture.transfer import read_transfer, transfer_notice

X = np.linspace(0.0, 1.0, 1025)


def iec_61966_2_1(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1:1999, 5.2, equations 5 and 6."""
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def lcms_srgb() -> bytes:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def with_tags(tags: dict[bytes, bytes], base: bytes | None = None) -> bytes:
    """A version 2 RGB profile of these tags, laid out by ICC.1:2022, 7.2 and 7.3."""
    header = bytearray((base or srgb_profile())[:128])
    table, body, start = b"", b"", 132 + 12 * len(tags)
    for name, value in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    header[0:4] = struct.pack(">I", start + len(body))
    return bytes(header) + struct.pack(">I", len(tags)) + table + body


def curv(*values: int) -> bytes:
    return struct.pack(f">4sII{len(values)}H", b"curv", 0, len(values), *values)


def para(kind: int, *values: float) -> bytes:
    return struct.pack(f">4sIHH{len(values)}i", b"para", 0, kind, 0, *(round(v * 65536) for v in values))


def of(profile: bytes | None = None, color_space: int | None = None) -> Metadata:
    return Metadata(stored_width=9, stored_height=9, profile=profile, color_space=color_space)


def frame(name: str, metadata: Metadata) -> Frame:
    return Frame((Exposure(Path(name), metadata),))


def three(curve: bytes) -> bytes:
    return with_tags({b"rTRC": curve, b"gTRC": curve, b"bTRC": curve})


def test_a_profile_of_another_library_gives_the_standards_curve() -> None:
    """Little CMS's sRGB, by Pillow, against IEC 61966-2-1."""
    transfer = read_transfer(of(lcms_srgb()))
    assert transfer.known_from == "profile"
    assert transfer.to_linear.shape == (1025,)
    assert transfer.to_linear.dtype == np.float32
    np.testing.assert_allclose(transfer.to_linear, iec_61966_2_1(X), atol=2e-5)
    assert transfer_notice(of(lcms_srgb())) is None


@pytest.mark.parametrize(
    ("curve", "expected"),
    [
        (curv(), X),
        (curv(563), X ** (563 / 256)),
        (curv(0, 32768, 65535), np.interp(X, [0, 0.5, 1], [0, 32768 / 65535, 1])),
        (para(0, 2.2), X**2.2),
        (para(1, 2.0, 0.8, 0.2), (0.8 * X + 0.2) ** 2),
        (para(2, 2.0, 0.9, 0.0, 0.05), (0.9 * X) ** 2 + 0.05),
        (para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), iec_61966_2_1(X)),
        (para(4, 2.0, 0.9, 0.1, 0.3, 0.1, 0.0, 0.0), np.where(X >= 0.1, (0.9 * X + 0.1) ** 2, 0.3 * X)),
    ],
)
def test_every_kind_of_curve(curve: bytes, expected: NDArray[np.float64]) -> None:
    """ICC.1:2022, 10.6 and table 68."""
    transfer = read_transfer(of(three(curve)))
    assert transfer.known_from == "profile"
    np.testing.assert_allclose(transfer.to_linear, expected, atol=2e-4)


def test_without_a_profile_the_colour_space_decides() -> None:
    for metadata in (of(), of(color_space=1), of(color_space=65535)):
        assert read_transfer(metadata).known_from == "color-space"
        np.testing.assert_allclose(read_transfer(metadata).to_linear, iec_61966_2_1(X), atol=1e-6)
    np.testing.assert_allclose(read_transfer(of(color_space=2)).to_linear, X ** (563 / 256), atol=1e-6)


def test_what_is_not_understood_is_said_and_taken_as_srgb() -> None:
    tables = with_tags({b"A2B0": b"mft2" + bytes(60), b"desc": b"desc\0\0\0\0\0\0\0\6Paper\0"})
    falling = three(curv(65535, 0))
    for profile, words in (
        (tables, "“Paper” is not understood"),
        (falling, "not"),
        (b"junk" * 50, "damaged"),
    ):
        transfer = read_transfer(of(profile))
        assert transfer.known_from == "color-space"
        np.testing.assert_allclose(transfer.to_linear, iec_61966_2_1(X), atol=1e-6)
        notice = transfer_notice(of(profile))
        assert notice is not None
        assert words in notice
        assert "sRGB curve" in notice
    unlike = with_tags({b"rTRC": curv(256), b"gTRC": curv(512), b"bTRC": curv(512)})
    np.testing.assert_allclose(read_transfer(of(unlike)).to_linear, X**2, atol=1e-6)
    assert "unlike" in (transfer_notice(of(unlike)) or "")


@given(st.binary(max_size=400), st.integers(0, 500))
def test_a_damaged_profile_never_raises(junk: bytes, at: int) -> None:
    good = srgb_profile()
    for data in (junk, good[:at] + junk + good[at + len(junk) :]):
        table = read_transfer(of(data)).to_linear
        assert np.all(np.isfinite(table))
        assert np.all(np.diff(table) >= 0)
        transfer_notice(of(data))
        common_profile([frame("a", of(data)), frame("b", of())])


def test_our_profiles_are_what_another_library_takes_them_for() -> None:
    """Little CMS reads ours: identity to its own sRGB; the wide one keeps its meaning on the way to sRGB."""
    pixels = np.random.default_rng(2).integers(0, 256, (64, 64, 3), np.uint8)
    image, theirs = Image.fromarray(pixels), ImageCms.ImageCmsProfile(io.BytesIO(lcms_srgb()))
    ours = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    assert "61966-2-1" in ImageCms.getProfileDescription(ours)
    same = np.asarray(ImageCms.profileToProfile(image, ours, theirs)).astype(int)
    assert np.abs(same - pixels).max() <= 1
    wide = ImageCms.ImageCmsProfile(io.BytesIO(wide_profile()))
    found = np.asarray(ImageCms.profileToProfile(image, wide, theirs, renderingIntent=1))
    common = common_profile([frame("a", of()), frame("b", of()), frame("c", of(color_space=2))])
    assert common.to_common[:2] == (None, None)
    matrix = common.to_common[2]
    assert matrix is not None
    linear = np.clip((pixels / 255.0) ** (563 / 256) @ matrix.T, 0.0, 1.0)
    expected = 255 * np.interp(linear, iec_61966_2_1(X), X)
    assert np.abs(found - expected).max() <= 1.5
    assert srgb_profile() == srgb_profile.__wrapped__()


def test_primaries_by_the_standard() -> None:
    """sRGB to XYZ at D50, Bradford adapted: widely published figures, 4 digits, from memory."""
    profile = read_profile(srgb_profile())
    assert profile is not None
    assert profile.matrix is not None
    expected = [[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]]
    np.testing.assert_allclose(profile.matrix, expected, atol=3e-4)
    np.testing.assert_allclose(profile.matrix.sum(1), [0.9642, 1.0, 0.8249], atol=1e-4)


def test_a_set_of_one_profile_keeps_it_byte_for_byte() -> None:
    metadata = of(lcms_srgb())
    common = common_profile([frame("a", metadata), frame("b", metadata)])
    assert common.profile == lcms_srgb_of(metadata)
    assert common.to_common == (None, None)
    assert common.notices == ()
    np.testing.assert_array_equal(common.transfer.to_linear, read_transfer(metadata).to_linear)


def lcms_srgb_of(metadata: Metadata) -> bytes:
    assert metadata.profile is not None
    return metadata.profile


def test_one_meaning_under_two_names_needs_no_conversion() -> None:
    assert same_primaries(of(lcms_srgb()), of())
    assert not same_primaries(of(color_space=2), of())
    common = common_profile([frame("a", of()), frame("b", of(lcms_srgb()))])
    assert common.to_common == (None, None)
    assert common.name == "sRGB"
    assert profile_name(of(color_space=2)) == "DCF optional"


def test_unknown_primaries_are_left_and_said() -> None:
    tables = with_tags({b"A2B0": b"mft2" + bytes(60), b"desc": b"desc\0\0\0\0\0\0\0\6Paper\0"})
    common = common_profile([frame("a", of()), frame("b", of()), frame("c", of(tables))])
    assert common.to_common == (None, None, None)
    assert common.notices == (
        "c: colours left as they are, because “Paper” is not understood; colours may differ",
    )
    alone = common_profile([frame("c", of(tables))])
    assert alone.profile == tables
    with pytest.raises(ValueError, match="at least one"):
        common_profile([])
