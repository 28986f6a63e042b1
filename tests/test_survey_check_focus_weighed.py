"""Frames whose scale differs: one that was refocused, or a set that was never held still."""

from __future__ import annotations

from pathlib import Path

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.survey.checking.check_focus import weighed
from belvedere.survey.checking.finding import Finding

FRAMES = tuple(Frame((Exposure(Path(f"VH_{i}.JPG"), Metadata(60, 40)),)) for i in range(8))


def differing(frame: int, factor: float, *, soft: bool = False) -> Finding:
    numbers = {"focal_factor": factor, "soft": float(soft)}
    return Finding("focus", "reshoot", (frame,), f"frame {frame + 1} differs", numbers)


def test_a_frame_softer_or_much_larger_is_to_be_shot_again() -> None:
    found = (differing(2, 1.005, soft=True), differing(5, 0.988))
    assert weighed(FRAMES, found, 8) == found


def test_a_sharp_frame_that_differs_little_is_a_risk() -> None:
    (risk,) = weighed(FRAMES, [differing(0, 1.004)], 8)
    assert (risk.grave, risk.frames) == ("risk", (0,))


def test_many_are_said_once_and_as_a_risk() -> None:
    (risk,) = weighed(FRAMES, [differing(i, 1.0 + 0.006 * (i + 1), soft=True) for i in range(3)], 8)
    assert (risk.grave, risk.frames) == ("risk", (0, 1, 2))
    assert "up to 1.8 %" in risk.words


def test_nothing_found_is_nothing_said() -> None:
    assert weighed(FRAMES, [], 8) == ()
