"""Frames of other profiles: which profile a set gets, and the matrices, against another library."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.icc import matrix_profile, read_profile
from belvedere.capture.primaries import common_profile
from other_profiles import EG_432, OP_RGB, SRGB, Space, between


def frame(name: str, profile: bytes | None = None) -> Frame:
    return Frame((Exposure(Path(name), Metadata(stored_width=9, stored_height=9, profile=profile)),))


@pytest.mark.parametrize("space", [EG_432, OP_RGB])
def test_matrices_are_little_cms_s(space: Space) -> None:
    """Little CMS, by Pillow: relative colorimetric, from the profile to its own sRGB and back, 8 bits.

    Rounding to 8 bits on the way out is half a code; half a code more for its own steps. Codes it held at
    the edge of the gamut are compared as held.
    """
    common = common_profile([frame("a"), frame("b"), frame("c", space.profile)])
    matrix = common.to_common[2]
    assert matrix is not None
    pixels = np.random.default_rng(4).integers(0, 256, (96, 96, 3), np.uint8)
    theirs = ImageCms.ImageCmsProfile(io.BytesIO(space.profile))
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    for source, target, own, other, forth in (
        (theirs, srgb, space, SRGB, matrix),
        (srgb, theirs, SRGB, space, np.linalg.inv(matrix)),
    ):
        found = ImageCms.profileToProfile(Image.fromarray(pixels), source, target, renderingIntent=1)
        expected = 255.0 * other.encode(own.linear(pixels / 255.0) @ forth.T)
        difference = np.abs(np.asarray(found) - expected)
        assert difference.max() <= 1.0
        assert difference.mean() < 0.3  # 0.25 is what rounding alone leaves


@pytest.mark.parametrize("space", [EG_432, OP_RGB])
def test_matrices_are_those_of_the_primaries(space: Space) -> None:
    """By chromaticities through XYZ, no adaptation: SMPTE RP 177-1993. A profile holds 1/65536."""
    matrix = common_profile([frame("a"), frame("b"), frame("c", space.profile)]).to_common[2]
    np.testing.assert_allclose(matrix, between(space, SRGB), atol=2e-4)
    np.testing.assert_allclose(np.sum(matrix, axis=1), 1.0, atol=1e-4)  # white stays white


def test_the_commonest_profile_is_the_sets_and_the_others_are_counted() -> None:
    p3, op = EG_432.profile, OP_RGB.profile
    common = common_profile([frame("a"), frame("b", p3), frame("c", op), frame("d", p3)])
    assert common.profile == p3
    assert [matrix is None for matrix in common.to_common] == [False, True, False, True]
    assert common.carried == (False, True, False, True)
    assert common.notices == (
        "1 frame carries another colour profile, “sRGB”; converted to “SMPTE EG 432-1 primaries”",
        "1 frame carries another colour profile, “opRGB”; converted to “SMPTE EG 432-1 primaries”",
    )
    common = common_profile([frame("a"), frame("b", p3), frame("c"), frame("d", p3), frame("e")])
    assert common.notices == (
        "2 frames carry another colour profile, “SMPTE EG 432-1 primaries”; converted to “sRGB”",
    )


def test_the_same_primaries_under_another_curve_are_not_the_same_profile() -> None:
    """Nothing to convert, but such a frame's curve is not the one the picture's profile speaks of."""
    profile = read_profile(SRGB.profile)
    assert profile is not None
    assert profile.matrix is not None
    steep = matrix_profile("sRGB primaries, 2.6", profile.matrix, (2.6,), np.eye(3))
    common = common_profile([frame("a", steep), frame("b"), frame("c")])
    assert common.to_common == (None, None, None)
    assert common.carried == (False, True, True)
    assert common.notices == ()
