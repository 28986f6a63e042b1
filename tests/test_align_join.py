"""Rows broken in two by a frame that is not there: joined where the steps of the turn are plain, else not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.frame_source import FramesInMemory
from benchmarks import against_truth
from benchmarks.sets import Shot, shoot
from benchmarks.solved import cameras_of

LEFT, STRAY, RIGHT = range(4), (4,), range(5, 8)


@cache
def shot(name: str = "stray", **changes: Any) -> Shot:
    return shoot(name, megapixels=0.3, **changes)


@dataclass(frozen=True)
class Series:
    """Frames of several sets one after the other, with a counter and a time each."""

    pixels: list[NDArray[Any]]
    frames: list[Frame]

    def align(self) -> Alignment:
        return estimate_alignment(
            FramesInMemory(self.pixels), self.frames, AlignOptions(ties_per_pair=80), names=None
        )


def series(
    *parts: tuple[Shot, Sequence[int]],
    counter: Sequence[int] | None = None,
    pause: dict[int, int] | None = None,
) -> Series:
    """Lens and size tags are those of the first set throughout; `pause`: seconds before the frame."""
    told = parts[0][0].frames[0].metadata
    pixels, frames = [], []
    taken = told.taken
    assert taken is not None
    for own, which in parts:
        for i in which:
            k = len(frames)
            taken += timedelta(seconds=4 + (pause or {}).get(k, 0))
            name = f"VH_{(counter or range(99))[k]:04d}.JPG"
            metadata = replace(told, orientation=own.frames[i].metadata.orientation, taken=taken)
            frames.append(Frame((Exposure(Path(name), metadata),)))
            pixels.append(own.source.whole(i, 0))
    return Series(pixels, frames)


def broken(**how: Any) -> Series:
    return series((shot(), LEFT), (shot(), STRAY), (shot(), RIGHT), **how)


def is_whole(found: Alignment) -> bool:
    return all(found.frames[i].used for block in found.components if len(block) > 1 for i in block)


@pytest.fixture(scope="module")
def joined() -> Alignment:
    return broken().align()


def test_a_row_broken_by_a_stray_is_joined(joined: Alignment) -> None:
    assert joined.used == (*LEFT, *RIGHT)
    assert joined.components == (tuple(LEFT), tuple(RIGHT), STRAY)
    assert [joined.frames[i].placed_by for i in joined.used] == ["tie-points"] * 4 + ["grid"] * 3
    assert [joined.frames[i].column for i in joined.used] == [0, 1, 2, 3, 5, 6, 7]  # the hole has a place
    assert {joined.frames[i].row for i in joined.used} == {0}


def test_its_place_is_as_sure_as_it_says(joined: Alignment) -> None:
    """Against the demo's truth, best turned to the left part; px a coordinate."""
    cameras = cameras_of(joined)
    turn = against_truth.turn_to_truth(shot().truth, {i: cameras[i] for i in LEFT})
    for i in RIGHT:
        true = shot().truth.frames[i].camera
        grid = against_truth.frame_grid(true, 6)
        off = np.linalg.norm(true.rays(grid) - cameras[i].rays(grid) @ turn.T, axis=1) * true.focal_px
        sigma = joined.frames[i].placement_sigma_px
        assert sigma is not None
        assert 2.0 < sigma < 40.0  # a scatter of 0.25 degrees is 3 px
        assert np.sqrt(np.mean(off**2) / 2.0) < 3.0 * sigma


def test_what_is_off_carries_a_doubt_with_its_figure(joined: Alignment) -> None:
    cameras = cameras_of(joined)
    errors = against_truth.place_errors(shot().truth, cameras)
    assert errors.max() > 5e-4  # else there would be nothing to tell
    for i, error in zip(joined.used, errors, strict=True):
        doubt = joined.frames[i].doubt
        assert error < 5e-4 or doubt
    assert "placed by the steps of the turn, sure to about" in (joined.frames[6].doubt or "")
    assert "the part beyond the gap only to about" in (joined.frames[1].doubt or "")


def test_each_part_stays_as_well_solved_as_alone(joined: Alignment) -> None:
    truth, cameras = shot().truth, cameras_of(joined)
    for part in (LEFT, RIGHT):
        apart = against_truth.disagreement_px(truth, {i: cameras[i] for i in part})
        assert np.sqrt(np.mean(apart**2)) < 0.1


def test_a_missing_file_joins_only_where_the_counter_tells() -> None:
    parts = (shot(), LEFT), (shot(), RIGHT)
    assert not is_whole(series(*parts).align())
    found = series(*parts, counter=(1, 2, 3, 4, 6, 7, 8)).align()
    assert is_whole(found)
    assert [p.column for p in found.frames] == [0, 1, 2, 3, 5, 6, 7]


def test_a_head_that_repeats_exactly_is_sure_to_a_fraction_of_a_pixel() -> None:
    exact = shot(scatter_deg=0.0, seed=3)
    found = series((exact, LEFT), (exact, STRAY), (exact, RIGHT)).align()
    assert is_whole(found)
    sigmas = [found.frames[i].placement_sigma_px or 0.0 for i in RIGHT]
    assert 0.0 < max(sigmas) < 1.0
    assert against_truth.place_errors(exact.truth, cameras_of(found)).max() < 2e-3


def _another_focal_length() -> Series:
    longer = shot("row", columns=8, focal_mm=58.0)
    return series((shot(), LEFT), (shot(), STRAY), (longer, RIGHT))


def _steps_too_uneven() -> Series:
    uneven = shot(scatter_deg=1.6, seed=4)
    return series((uneven, LEFT), (uneven, STRAY), (uneven, RIGHT))


def _two_rows_and_a_marker_frame() -> Series:
    rows = shot("rows-3x5", rows=2, row_step_deg=44.0, pitch_deg=0.0, seed=2)
    return series((rows, range(5)), (shot(), STRAY), (rows, range(5, 10)))


def _two_frames_between() -> Series:
    row = shot("row", columns=1, yaw_deg=150.0)
    return series((shot(), LEFT), (shot(), STRAY), (row, [0]), (shot(), RIGHT))


def _other_way_round() -> Series:
    return series((shot(), LEFT), (shot(), STRAY), (shot(), RIGHT[::-1]))


def _long_pause() -> Series:
    return broken(pause={5: 600})


def _too_few_steps() -> Series:
    return series((shot(), range(2, 4)), (shot(), STRAY), (shot(), RIGHT))


@pytest.mark.parametrize(
    "unclear",
    [
        _another_focal_length,
        _steps_too_uneven,
        _two_rows_and_a_marker_frame,
        _two_frames_between,
        _other_way_round,
        _long_pause,
        _too_few_steps,
    ],
)
def test_what_is_not_plain_is_left_as_two_blocks(unclear: Any) -> None:
    found = unclear().align()
    assert len([b for b in found.components if len(b) > 1]) == 2
    assert found.used == found.components[0]
    assert all(found.frames[i].placed_by == "tie-points" for i in found.used)
    assert all("another block" in (found.frames[i].reason or "") for i in found.components[1])
