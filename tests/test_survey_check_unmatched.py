"""Joints that nothing was matched in: told apart from frames that are missing, as far as it can be told."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from belvedere.align.alignment import PairTies
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.faults import Fault
from belvedere.survey.checking.check_featureless import examine_featureless
from belvedere.survey.checking.check_overlap import examine_overlap
from belvedere.survey.checking.check_unmatched import examine_unmatched
from belvedere.survey.checking.checked import Checked
from checked_sets import checked_set, of_kind


def tied(checked: Checked, *pairs: tuple[int, int], count: int = 40) -> Checked:
    """The set with so many tie points in each of these pairs."""
    at = np.zeros((count, 2))
    ties = tuple(PairTies(min(p), max(p), at, at, 0.3, 0.3) for p in pairs)
    return replace(checked, alignment=replace(checked.alignment, pairs=ties))


def test_a_joint_without_a_match_in_a_full_turn_is_a_risk() -> None:
    turn = [(i, (i + 1) % 12) for i in range(12)]
    whole = checked_set("full-turn", seed=1)
    assert examine_unmatched(tied(whole, *turn)) == ()
    (found,) = examine_unmatched(tied(whole, *[p for p in turn if p != (5, 6)]))
    assert (found.kind, found.grave, found.frames) == ("overlap", "risk", (5, 6))
    assert found.numbers["overlap_fraction"] == pytest.approx(0.38, abs=0.05)
    assert "do not meet: no detail was matched, although by a turn of" in found.words
    assert "missing" not in found.words


def test_frames_that_hang_together_by_the_row_below_are_left_alone() -> None:
    checked = checked_set("rows-3x5", seed=1)
    rows = [(5 * r + c, 5 * r + c + 1) for r in (1, 2) for c in range(4)]
    columns = [(5 * r + c, 5 * r + c + 5) for r in range(2) for c in range(5)]
    assert examine_unmatched(tied(checked, *rows, *columns)) == ()


def test_a_block_that_the_turn_places_is_told_by_its_one_joint() -> None:
    """Not as four frames that hold nothing to match."""
    checked = checked_set("row", columns=8, seed=2)
    rng = np.random.default_rng(2)
    source = FramesInMemory([rng.integers(0, 255, (60, 40, 3)).astype(np.uint8) for _ in range(8)])
    checked = tied(replace(checked, source=source), *[p for p in pairwise(range(8)) if p != (3, 4)])
    places = tuple(
        replace(p, placed_by="grid", placement_sigma_px=7.0) if i >= 4 else p
        for i, p in enumerate(checked.alignment.frames)
    )
    by_turn = replace(checked, alignment=replace(checked.alignment, frames=places))
    assert examine_featureless(by_turn) == ()
    (found,) = examine_unmatched(by_turn)
    assert found.frames == (3, 4)
    assert "frames 5, 6, 7, 8" in found.words
    assert "within about 7 px" in found.words


def _tagged(frames: tuple[Frame, ...], focal_35mm: float) -> tuple[Frame, ...]:
    return tuple(
        Frame(
            tuple(
                replace(e, metadata=replace(e.metadata, focal_mm=None, focal_35mm=focal_35mm))
                for e in f.exposures
            )
        )
        for f in frames
    )


def test_a_turn_that_closes_with_the_tagged_focal_length_is_not_surely_a_missing_frame() -> None:
    """Eleven steps of 30 degrees and one of 60; were the focal length 9 % shorter, twelve even ones."""
    gap = checked_set("full-turn", seed=3, omit=((0, 7),))
    wider = 360.0 / (10 * 30.0 + 30.0)
    (sure,) = of_kind(examine_overlap(replace(gap, frames=_tagged(gap.frames, 28.0))), "missing")
    assert sure.grave == "reshoot"
    assert "if both show" not in sure.words
    (unsure,) = of_kind(examine_overlap(replace(gap, frames=_tagged(gap.frames, 28.0 / wider))), "missing")
    assert unsure.grave == "reshoot"
    assert unsure.numbers["turn_deg"] == pytest.approx(30.0, abs=1.0)
    assert "degrees apart, but by the tagged focal length the turn closes" in unsure.words
    assert "if both show the same things, only the match failed" in unsure.words


def test_a_frame_that_cannot_be_placed_where_one_is_missing_is_said_once() -> None:
    why = {4: "shows nothing that can be recognised in another frame"}
    found = examine_overlap(checked_set("row", seed=0, columns=8, unplaced=why))
    (missing,) = of_kind(found, "missing", "reshoot")
    (stray,) = of_kind(found, "stray")
    assert missing.frames == (3, 5)
    assert stray.grave == "note"
    assert "likely the one that is missing between frames 4 and 6" in stray.words


def test_a_wide_step_is_a_thin_overlap_whether_matched_or_not() -> None:
    turned = tuple(Fault(i, yaw_deg=7.0) for i in range(4, 7))
    checked = tied(checked_set("row", seed=1, faults=turned), *[p for p in pairwise(range(7)) if p != (3, 4)])
    assert [f.grave for f in of_kind(examine_overlap(checked), "overlap")] == ["reshoot"]
