"""The ground at the feet told from scenes by its even texture."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.survey.appearance.even_ground import is_even_ground
from belvedere.survey.appearance.small_frame import small_frame


def gravel(seed: int, grain_px: float) -> NDArray[np.uint8]:
    """Stones of one colour, a little darker towards one side."""
    rng = np.random.default_rng(seed)
    height = cv2.GaussianBlur(rng.normal(0.0, 1.0, (360, 240)), (0, 0), grain_px)
    light = 120.0 + 38.0 * height / height.std() + np.linspace(-12.0, 12.0, 240)[None, :]
    return np.clip(light[..., None] * (1.0, 0.95, 0.85), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("grain_px", [1.0, 3.0, 6.0])
def test_gravel_is_ground(grain_px: float) -> None:
    assert is_even_ground(small_frame(gravel(1, grain_px)))


def test_gravel_under_a_sky_or_beside_water_is_none() -> None:
    image = gravel(2, 3.0)
    image[:120] = (150, 180, 220)
    assert not is_even_ground(small_frame(image))
    image = gravel(2, 3.0)
    image[:, 180:] = (90, 100, 110)
    assert not is_even_ground(small_frame(image))


def test_a_plain_frame_is_none() -> None:
    plain = np.full((360, 240, 3), 130, dtype=np.uint8)
    assert not is_even_ground(small_frame(plain))
    slope = np.tile(np.linspace(60, 200, 360)[:, None, None], (1, 240, 3)).astype(np.uint8)
    assert not is_even_ground(small_frame(slope))
