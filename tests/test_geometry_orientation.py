"""Exif Orientation against Pillow, and the matrices against the pixels they move."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageOps

from belvedere.geometry.orientation import display_axes, displayed, is_sideways


@pytest.fixture
def stored() -> np.ndarray:
    return np.random.default_rng(3).integers(0, 255, (5, 8, 3), dtype=np.uint8)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_displayed_agrees_with_pillow(stored: np.ndarray, orientation: int) -> None:
    # Source: Pillow ImageOps.exif_transpose.
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(image))
    np.testing.assert_array_equal(displayed(stored, orientation), expected)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_matrix_moves_positions_as_displayed_moves_pixels(stored: np.ndarray, orientation: int) -> None:
    shown = displayed(stored, orientation)
    h, w = stored.shape[:2]
    dh, dw = shown.shape[:2]
    assert (dh, dw) == ((w, h) if is_sideways(orientation) else (h, w))
    for y in range(h):
        for x in range(w):
            at = display_axes(orientation) @ [x - (w - 1) / 2, y - (h - 1) / 2]
            u, v = at[0] + (dw - 1) / 2, at[1] + (dh - 1) / 2
            np.testing.assert_array_equal(shown[round(v), round(u)], stored[y, x])


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_matrix_is_orthogonal_and_mirrors_only_where_the_standard_says(orientation: int) -> None:
    # CIPA DC-008 (Exif 2.32), tag 0x0112: 2, 4, 5 and 7 are mirrored.
    axes = display_axes(orientation)
    np.testing.assert_array_equal(axes @ axes.T, np.eye(2))
    assert np.linalg.det(axes) == pytest.approx(-1.0 if orientation in (2, 4, 5, 7) else 1.0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_greyscale_and_stacks_turn_alike(stored: np.ndarray, orientation: int) -> None:
    np.testing.assert_array_equal(
        displayed(stored[..., 0], orientation), displayed(stored, orientation)[..., 0]
    )


@pytest.mark.parametrize("orientation", [0, 9, -1])
def test_values_the_standard_does_not_know_are_refused(stored: np.ndarray, orientation: int) -> None:
    with pytest.raises(ValueError, match="Orientation"):
        display_axes(orientation)
    with pytest.raises(ValueError, match="Orientation"):
        displayed(stored, orientation)
