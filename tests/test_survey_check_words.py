"""What findings say: a risk reads as a risk, what must be shot again says so, and both say what to do."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.demo.faults import Fault
from belvedere.survey.checking.check_ends import examine_ends
from belvedere.survey.checking.check_exposure import examine_exposure
from belvedere.survey.checking.check_focus import weighed
from belvedere.survey.checking.check_overlap import examine_overlap
from belvedere.survey.checking.check_parallax import examine_parallax
from belvedere.survey.checking.check_settings import examine_settings
from belvedere.survey.checking.check_tilt import examine_tilt
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.overlap_field import OverlapField
from belvedere.survey.checking.turn_fit import TurnFit
from checked_sets import checked_set, of_kind

_AGAIN = re.compile(r"shoot\b[^;:]*\bagain")
_ON_CONDITION = re.compile(r"to be safe|only if|if (you|it|that|tone)\b|where (it|that)\b|unless")
_ORDERS = re.compile(r"\b(shoot|turn|tilt)\b")
_LONGEST = 420

SETS: list[tuple[str, dict[str, Any]]] = [
    ("row", {"faults": (Fault(3, roll_deg=4.0),)}),
    ("rows-3x5", {"faults": (Fault(7, roll_deg=-4.0),)}),
    ("row", {"faults": (Fault(3, pitch_deg=-6.0),)}),
    ("row", {"tilt_drift_deg": 3.0, "columns": 9}),
    ("row", {"faults": tuple(Fault(i, yaw_deg=2.5) for i in range(4, 7))}),
    ("row", {"faults": tuple(Fault(i, yaw_deg=7.0) for i in range(4, 7))}),
    ("row", {"overlap": 0.24}),
    ("row", {"overlap": 0.11}),
    ("rows-3x5", {"rows": 2, "row_overlap": 0.22}),
    ("rows-3x5", {"rows": 2, "row_overlap": 0.08}),
    ("rows-3x5", {"rows": 2, "row_overlap": -0.1}),
    ("rows-3x5", {"rows": 2, "row_overlap": -1.2}),
    ("rows-3x5", {"omit": ((1, 2),)}),
    ("rows-3x5", {"omit": ((0, 0), (0, 1))}),
    ("rows-3x5", {"columns": 9, "omit": tuple((0, c) for c in (0, 1, 2, 6, 7, 8))}),
    ("row", {"columns": 9, "omit": ((0, 4), (0, 5))}),
    ("row", {"columns": 8, "unplaced": {7: "shows nothing that can be recognised in another frame"}}),
    ("row", {"columns": 8, "unplaced": {4: "shows nothing that can be recognised in another frame"}}),
    ("row", {"columns": 9, "omit": ((0, 5),), "unplaced": dict.fromkeys((5, 6, 7), "is another block")}),
    ("row", {"faults": (Fault(2, untold_ev=0.7),)}),
    ("row", {"faults": (Fault(2, untold_ev=0.4),)}),
    ("row", {"faults": (Fault(2, exposure_ev=0.4, iso=200, f_number=9.0),)}),
    ("row", {"faults": (Fault(2, white_balance=(1.12, 0.88), white_balance_auto=True),)}),
    ("row", {"faults": (Fault(2, focal_factor=1.1, focal_told=True),)}),
    ("row", {"exposure_ev": (0.0, 0.4, -0.4, 0.8, 0.0, -0.8, 0.3), "white_balance_auto": True}),
    ("row", {"level_from": "sea-horizon"}),
]


def reads_as_it_weighs(found: Finding) -> None:
    """Whether a finding's words match its weight."""
    words = found.words
    assert len(words) <= _LONGEST, words
    assert "nan" not in words, words
    if found.grave == "reshoot":
        assert _ORDERS.search(words), words
        assert not re.search(r"to be safe|only if|may be left out", words), words
    else:
        for again in _AGAIN.finditer(words):
            clause = words[words.rfind(";", 0, again.start()) + 1 :].split(";")[0]
            assert _ON_CONDITION.search(clause), words


@pytest.mark.parametrize(("name", "changes"), SETS)
def test_every_sentence_weighs_what_it_is(name: str, changes: dict[str, Any]) -> None:
    checked = checked_set(name, seed=1, **changes)
    found = (
        *examine_overlap(checked),
        *examine_ends(checked),
        *examine_tilt(checked),
        *examine_settings(checked),
        *examine_exposure(checked),
    )
    assert any(f.grave != "note" for f in found)
    for finding in found:
        reads_as_it_weighs(finding)


def test_a_focal_length_that_changed_a_little_reads_as_a_risk() -> None:
    frames = tuple(Frame((Exposure(Path(f"VH_{i}.JPG"), Metadata(60, 40)),)) for i in range(8))
    numbers = {"focal_factor": 1.005, "soft": 0.0}
    plain = Finding("focus", "reshoot", (2,), "frame 3 differs, and shoot it again", numbers)
    (risk,) = weighed(frames, [plain], 8)
    assert risk.grave == "risk"
    assert "0.5 % larger" in risk.words
    reads_as_it_weighs(risk)
    many = [replace(plain, frames=(i,)) for i in range(3)]
    reads_as_it_weighs(weighed(frames, many, 8)[0])


def test_an_entrance_pupil_off_its_axis_reads_as_a_risk() -> None:
    checked = checked_set("near-ground", columns=2, pupil_offset_mm=60.0)
    camera = checked.alignment.frames[0].camera
    assert camera is not None
    at = np.random.default_rng(0).uniform((0.7 * camera.width, 0.7 * camera.height), (399, 599), (40, 2))
    field = OverlapField(0, 1, at, at, np.full(40, 0.1), np.ones(40), 40)
    fit = TurnFit((0, 1), np.zeros(2), np.ones(2), 0.04, 0.001, 0.1, -10.0, (np.zeros(40),))
    (found,) = examine_parallax(checked, [field], fit)
    reads_as_it_weighs(found)


def test_a_rolled_frame_says_what_it_costs() -> None:
    """It can be stitched; in an inner row the crop does not even notice."""
    (outer,) = of_kind(examine_tilt(checked_set("row", seed=0, faults=(Fault(3, roll_deg=4.0),))), "roll")
    assert "its overlaps stay what they are" in outer.words
    assert "it can be stitched as it is" in outer.words
    # the middle third of its width is its alone: 4 degrees over it, on top and at the bottom
    alone = np.sin(np.radians(4.0)) * (24.0 / 36.0) / 3.0
    assert outer.numbers["lost_fraction"] == pytest.approx(alone, abs=0.02)
    assert outer.numbers["overlap_fraction"] == pytest.approx(0.33, abs=0.06)
    inner = checked_set("rows-3x5", seed=0, faults=(Fault(7, roll_deg=4.0),))
    (found,) = of_kind(examine_tilt(inner), "roll")
    assert found.numbers["lost_fraction"] < 0.01
    assert "the crop loses nothing" in found.words
    assert found.words.endswith("it can be stitched as it is; tighten the camera on the head")
