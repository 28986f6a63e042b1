"""What a very long series costs: fewer features and tie points each, pairs not looked at closely."""

from __future__ import annotations

import numpy as np
import pytest

from belvedere.align import overlaps
from belvedere.align.estimate import frame_features
from belvedere.align.options import AlignOptions
from belvedere.align.overlap_check import Structures, structure
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.solve import _most_of_pair
from belvedere.capture.frame_source import FramesInMemory
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix


def noise(count: int) -> FramesInMemory:
    rng = np.random.default_rng(1)
    return FramesInMemory([rng.integers(0, 255, (450, 600, 3), dtype=np.uint8) for _ in range(count)])


def test_of_a_very_long_series_every_frame_has_fewer_features() -> None:
    source, options = noise(1), AlignOptions(features_per_frame=1000)
    few, usual, many = (len(frame_features(source, 0, options, n).points) for n in (1, 400, 2000))
    assert few == usual > 900
    assert many == 625


def test_of_very_many_overlaps_every_one_has_fewer_tie_points() -> None:
    assert _most_of_pair(1000, 250) == 250
    assert _most_of_pair(8000, 250) == 50
    assert _most_of_pair(10**6, 250) == 40


@pytest.mark.parametrize("focal", [400.0, 900.0, 3000.0])
@pytest.mark.parametrize("roll", [0.05, 1.5])
def test_pairs_are_the_same_as_without_the_short_cut(
    focal: float, roll: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(0)
    cameras = []
    spread = 1500.0 / focal
    for _ in range(50):
        w, h = (446, 670) if rng.random() < 0.7 else (670, 446)
        pose = pose_matrix(
            rng.uniform(-spread, spread), rng.uniform(-0.3, 0.3) * spread, rng.normal(0.0, roll)
        )
        centre = (w / 2.0 + rng.normal(0.0, 5.0), h / 2.0)
        k1 = float(rng.choice([-0.15, 0.0, 0.2]))
        cameras.append(Camera(w, h, focal, centre, (k1, 0.0, 0.0), quaternion_from_matrix(pose.T)))
    short = [overlapping_pairs(range(50), cameras), overlapping_pairs(range(50), cameras, 0.0, 0.06)]
    monkeypatch.setattr(
        overlaps, "_may_meet", lambda axes, turns, half, i, near: np.ones(len(near), dtype=bool)
    )
    assert short == [overlapping_pairs(range(50), cameras), overlapping_pairs(range(50), cameras, 0.0, 0.06)]
    assert short[0]


def test_structures_are_made_when_asked_for_and_few_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("belvedere.align.overlap_check._KEPT", 2)
    source = noise(4)
    kept = Structures(source)
    for i in (0, 1, 2, 3, 0):
        np.testing.assert_array_equal(kept[i].values, structure(source, i).values)
    assert len(kept._kept) == 2
