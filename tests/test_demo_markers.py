"""Marker frames: before the scene, lit and focused as optics has it, never twice the same."""

from __future__ import annotations

import math
from typing import get_args

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.demo.marker_frames import MarkerKind, circle_of_confusion_mm, marker_light
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import expose_light, light_of
from belvedere.demo.sets import set_spec

SPEC = set_spec("row", megapixels=0.06, columns=1)
SHOT = plan_shots(SPEC)[0]
SCENE = light_of(SPEC, SHOT)
PX_PER_MM = SPEC.focal_px / SPEC.focal_mm


def light(kind: MarkerKind, seed: int, focal_mm: float = 50.0) -> NDArray[np.float32]:
    return marker_light(kind, SCENE, focal_mm, PX_PER_MM, seed)


@pytest.mark.parametrize("kind", get_args(MarkerKind))
def test_a_look_follows_from_its_seed_alone_and_is_light(kind: MarkerKind) -> None:
    seen = [light(kind, seed, (24.0, 150.0)[seed % 2]) for seed in range(6)]
    for once in seen:
        assert once.shape == SCENE.shape
        assert once.dtype == np.float32
        assert np.isfinite(once).all()
        assert once.min() >= 0.0
    np.testing.assert_array_equal(seen[0], light(kind, 0, 24.0))
    assert len({once.tobytes() for once in seen}) == len(seen)


def test_a_hand_hides_a_good_part_of_the_scene() -> None:
    hidden = [np.mean(np.abs(light("hand", seed) - SCENE).max(axis=-1) > 0.02) for seed in range(30)]
    assert min(hidden) > 0.15
    assert np.median(hidden) > 0.4


def test_hands_are_of_many_tones() -> None:
    middle = np.array([np.median(light("hand", s)[80:120, 60:120], axis=(0, 1)).mean() for s in range(40)])
    low, high = np.percentile(middle, [10, 90])
    assert high > 6.0 * low


def test_a_cap_leaves_next_to_nothing() -> None:
    for seed in range(10):
        assert light("cap", seed).max() < 0.02
        assert expose_light(SPEC, SHOT, light("cap", seed)).mean() < 12


def test_the_ground_does_not_show_the_scene() -> None:
    for seed in range(4):
        seen = light("ground", seed).mean(axis=-1).ravel()
        assert abs(np.corrcoef(seen, SCENE.mean(axis=-1).ravel())[0, 1]) < 0.6


def test_blur_discs_are_those_of_a_thin_lens() -> None:
    # 50 mm at f/8 focused far away: an object at 1 m is spread over 2500 / 8 / 1000 mm.
    assert circle_of_confusion_mm(50.0, math.inf, 1000.0) == pytest.approx(0.3125)
    assert circle_of_confusion_mm(50.0, 1000.0, 1000.0) == 0.0
    # Focused at s, infinity lies at f^2 / (N (s - f)).
    assert circle_of_confusion_mm(50.0, 1050.0, math.inf) == pytest.approx(0.3125)
