"""Marker frames among the frames of a set are told as such, and nothing else is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment, LensGroup, Level, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.check_markers import tell_markers
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding

CAMERA = Camera(600, 400, 800.0, (299.5, 199.5), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
AGAIN = (
    Finding("stray", "reshoot", (0,), "frame 1 cannot be placed"),
    Finding("featureless", "reshoot", (0,), "frame 1 holds little to recognise"),
    Finding("sharpness", "reshoot", (1,), "frame 2 is blurred"),
)
BLACK = np.full((400, 600, 3), 3, np.uint8)


def with_first(pixels: NDArray[np.uint8], *, used: bool = False) -> Checked:
    """A set of two whose first frame shows this."""
    frames = tuple(
        Frame((Exposure(Path(f"VH_{i}.JPG"), Metadata(pixels.shape[1], pixels.shape[0])),)) for i in (1, 2)
    )
    lens = LensGroup(None, None, None, 600, 400, 800.0, 800.0, (0.0, 0.0), (0.0, 0.0, 0.0))
    placed = Placement(0, CAMERA)
    first = placed if used else Placement(0, None, reason="shows nothing")
    alignment = Alignment((first, placed), (lens,), (), Level("pan-axis", 0.01, ""), ((1,),), 0.1)
    return Checked(frames, FramesInMemory([pixels, pixels]), alignment, None)


def test_a_frame_behind_the_cap_is_noted_once_and_asks_for_nothing() -> None:
    note, other = tell_markers(with_first(BLACK), AGAIN)
    assert (note.kind, note.grave, note.frames) == ("stray", "note", (0,))
    assert "marker frame" in note.words
    assert other == AGAIN[2]


def test_sixteen_bits_are_looked_at_too() -> None:
    deep = FramesInMemory([BLACK.astype(np.uint16) * 257] * 2)
    checked = with_first(BLACK)
    told = tell_markers(Checked(checked.frames, deep, checked.alignment, None), AGAIN)
    assert [f.grave for f in told] == ["note", "reshoot"]


@pytest.mark.parametrize(
    "pixels",
    [
        np.full((400, 600, 3), 255, np.uint8),  # over-exposed
        np.full((400, 600, 3), (90, 130, 200), np.uint8),  # plain sky
        np.random.default_rng(1).integers(0, 255, (400, 600, 3), dtype=np.uint8),
    ],
    ids=["white", "sky", "noise"],
)
def test_what_may_be_a_frame_of_the_set_stays_to_be_shot_again(pixels: NDArray[np.uint8]) -> None:
    assert tell_markers(with_first(pixels), AGAIN) == AGAIN


def test_a_dark_frame_that_was_placed_is_no_marker() -> None:
    assert tell_markers(with_first(BLACK, used=True), AGAIN) == AGAIN
