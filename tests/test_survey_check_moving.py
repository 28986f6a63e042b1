"""What moved across an overlap, told apart from what stands so near that it shifts."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.pipeline.check import CheckOptions, check
from belvedere.pipeline.progress import Progress
from belvedere.survey.checking.around_region import cause_of
from belvedere.survey.checking.check_moving import examine_moving
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.overlap_difference import Region
from belvedere.survey.checking.overlap_field import OverlapField, measure_fields
from belvedere.survey.checking.turn_fit import TurnFit, fit_checked
from pixel_sets import pixel_set

REAL = Path(__file__).resolve().parents[2] / "shared" / "data" / "real"

A = Camera(600, 900, 900.0, (299.5, 449.5), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
B = A.with_rotation(pose_matrix(0.2, 0.0, 0.0).T)
PLACE = Region((400.0, 500.0, 430.0, 560.0), 0.003, 4.0, -0.05, -0.1)


def field_of(points: NDArray[np.float64], shift: NDArray[np.float64]) -> OverlapField:
    """Details at points of frame A that frame B shows so far from where the cameras have them."""
    there, _ = B.project(A.rays(points))
    n = len(points)
    return OverlapField(0, 1, points, there + shift, np.full(n, 0.1), np.ones(n), n)


def details(rng: np.random.Generator, sides: str) -> NDArray[np.float64]:
    """A few details on the named sides of the place: above, below, left, right."""
    boxes = {
        "a": (400, 460, 430, 498),
        "b": (400, 562, 430, 600),
        "l": (358, 500, 398, 560),
        "r": (432, 500, 470, 560),
    }
    return np.concatenate([rng.uniform(boxes[s][:2], boxes[s][2:], (4, 2)) for s in sides])


def test_a_thing_that_leaves_its_surroundings_still_moved() -> None:
    at = details(np.random.default_rng(1), "ablr")
    assert cause_of(PLACE, field_of(at, np.full_like(at, 0.2)), A, B) == "moved"


@pytest.mark.parametrize("sides", ["a", "al", "alr", ""])
def test_where_the_ground_below_does_not_tell_neither_is_sure(sides: str) -> None:
    """The edge of a near wall: beyond it all is still, the wall itself holds nothing that can be found."""
    at = details(np.random.default_rng(2), sides) if sides else np.empty((0, 2))
    assert cause_of(PLACE, field_of(at, np.zeros_like(at)), A, B) == "either"


def test_near_things_shift_together() -> None:
    at = details(np.random.default_rng(3), "ablr")
    nearness = (at[:, 1] - 400.0) / 40.0
    along = np.stack([nearness, 0.1 * nearness], axis=1)
    assert cause_of(PLACE, field_of(at, along), A, B) == "near"
    across = along * np.where(np.arange(len(at)) % 2, 1.0, -1.0)[:, None]
    assert cause_of(PLACE, field_of(at, across), A, B) == "either"  # leaves in the wind


def test_walkers_are_said_to_have_moved() -> None:
    checked = pixel_set("walkers", columns=4, seed=1, walkers=2)
    fields = measure_fields(checked)
    moved = examine_moving(checked, fields, fit_checked(checked, fields))
    assert moved
    for found in moved:
        assert found.words.startswith("something moved at 2 places")
        assert found.numbers["moved_places"] == 2.0
        assert "to be safe, shoot both again when it is clear" in found.words


def test_without_details_to_hold_on_to_neither_is_sure() -> None:
    checked = pixel_set("walkers", columns=4, seed=1, walkers=2)
    places = checked.alignment.frames
    first, second = places[0].camera, places[1].camera
    assert first is not None
    assert second is not None
    bare = OverlapField(0, 1, np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0), 0)
    still = replace(bare, a=1, b=2)
    for found in examine_moving(checked, [bare, still], None):
        assert "something moved, or stands so near that it shifts," in found.words


@pytest.mark.parametrize("name", ["roofs-row", "snow-ridge-180-row"])
def test_a_near_wall_and_near_snow_are_not_surely_said_to_move(name: str) -> None:
    """A parapet before far roofs, a slope at the feet: photographed from the hand, nobody walks there."""
    if not (REAL / name).is_dir():
        pytest.skip(f"{name} is not there")
    found = check(CheckOptions((REAL / name,)), Progress(io.StringIO(), False))
    moving = [f for f in found.findings if f.kind == "moving" and "places" in f.numbers]
    assert moving
    assert [f.words for f in moving if f.numbers["moved_places"] > 0.0] == []


def _shifting(shift: NDArray[np.float64], ground: int) -> tuple[Finding, ...]:
    """What is said of details high up that shift so, with so many details of still ground."""
    checked = pixel_set("row", columns=2, seed=1)
    first, second = (p.camera for p in checked.alignment.frames)
    assert first is not None
    assert second is not None
    rng = np.random.default_rng(4)
    at = rng.uniform((0.72 * first.width, 0.0), (0.97 * first.width, 0.25 * first.height), (len(shift), 2))
    low = rng.uniform((0.72, 0.7), (0.97, 0.97), (ground, 2)) * [first.width, first.height]
    there, _ = second.project(first.rays(np.concatenate([at, low])))
    seen = there + np.concatenate([shift, np.zeros((ground, 2))])
    n = len(seen)
    field = OverlapField(0, 1, np.concatenate([at, low]), seen, np.full(n, 0.1), np.ones(n), n)
    left = np.linalg.norm(seen - there, axis=1)
    fit = TurnFit((0, 1), np.zeros(2), np.ones(2), 0.0, 0.1, 0.1, 0.0, (left,))
    return examine_moving(replace(checked, source=pixel_set("row", columns=2, seed=1).source), [field], fit)


def test_details_high_up_are_clouds_only_where_they_go_together() -> None:
    rng = np.random.default_rng(5)
    (clouds,) = _shifting(np.array([6.0, 1.0]) + rng.normal(0.0, 0.3, (30, 2)), ground=30)
    assert "the sky moves: clouds shift by up to 6 px" in clouds.words
    (branches,) = _shifting(np.array([1.0, 0.1]) * rng.uniform(1.0, 12.0, (30, 1)), ground=30)
    assert "drifting clouds, or branches and walls so near that they shift" in branches.words


def test_without_ground_to_compare_with_nothing_is_said_to_move() -> None:
    """A dome's inside: everything is high up, and everything is off by a little."""
    assert _shifting(np.random.default_rng(6).normal(0.0, 2.0, (40, 2)), ground=0) == ()
