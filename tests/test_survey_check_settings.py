"""Settings and exposure of a set: each deviation named by frame, none where there is none."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.demo.faults import Fault
from belvedere.survey.checking.check_exposure import examine_exposure
from belvedere.survey.checking.check_settings import examine_settings, seconds_words
from belvedere.survey.checking.checked import Checked
from checked_sets import checked_set, of_kind


def _changed(checked: Checked, **by_frame: Any) -> Checked:
    """The set with a tag of single frames changed: `tag={frame: value}`."""
    frames = list(checked.frames)
    for tag, values in by_frame.items():
        for i, value in values.items():
            metadata = replace(frames[i].metadata, **{tag: value})
            frames[i] = Frame((Exposure(frames[i].file, metadata),))
    return replace(checked, frames=tuple(frames))


@pytest.mark.parametrize("name", ["row", "rows-3x5", "full-turn", "mixed-orientations", "near-ground"])
def test_nothing_is_said_of_equal_frames(name: str) -> None:
    for seed in range(3):
        checked = checked_set(name, seed=seed, white_balance_sigma=0.01, subject_distance_m=80.0)
        assert examine_settings(checked) == ()
        assert examine_exposure(checked) == ()


def test_files_that_tell_nothing_say_nothing() -> None:
    checked = checked_set("row", seed=0)
    silent = tuple(
        Frame((Exposure(f.file, Metadata(f.metadata.stored_width, f.metadata.stored_height)),))
        for f in checked.frames
    )
    assert examine_settings(replace(checked, frames=silent)) == ()
    assert examine_exposure(replace(checked, frames=silent)) == ()
    assert examine_exposure(replace(checked, frames=silent, tone=None)) == ()


@pytest.mark.parametrize(
    ("tag", "value", "name", "grave"),
    [
        ("focal_mm", 55.0, "focal length", "reshoot"),
        ("f_number", 11.0, "aperture", "risk"),
        ("iso", 400.0, "ISO", "risk"),
        ("exposure_s", 1.0 / 125.0, "exposure time", "note"),
        ("white_balance_auto", True, "white balance", "risk"),
        ("exposure_auto", True, "exposure", "risk"),
        ("lens", "Ilvane 35 mm f/2", "another lens", "risk"),
        ("serial", "9999", "another camera", "risk"),
    ],
)
def test_one_frame_set_otherwise_is_named(tag: str, value: Any, name: str, grave: str) -> None:
    (found,) = examine_settings(_changed(checked_set("row", seed=0), **{tag: {4: value}}))
    assert (found.kind, found.grave, found.frames) == ("settings", grave, (4,))
    assert found.words.startswith(name)
    assert "frame 5 (VH_1005.JPG)" in found.words


def test_rounding_of_tags_is_no_deviation() -> None:
    checked = checked_set("row", seed=0)
    near = _changed(checked, exposure_s={2: 1 / 256.0}, f_number={3: 8.1}, focal_mm={1: 50.3}, iso={5: 103.0})
    assert examine_settings(near) == ()


@pytest.mark.parametrize(("metres", "told"), [(1000.0, False), (20.0, True), (float("inf"), False)])
def test_focus_is_judged_by_depth_of_focus(metres: float, told: bool) -> None:
    """At 50 mm and f/8 a circle of 1/1500 of the diagonal forgives 0.092 / m; 70 m are 0.014 / m."""
    checked = checked_set("row", seed=0, focal_mm=50.0, subject_distance_m=70.0)
    near = {20.0: 8.0}.get(metres, metres)
    found = examine_settings(_changed(checked, subject_distance_m={6: near}))
    assert [f.frames for f in found] == ([(6,)] if told else [])


def test_what_is_left_to_the_camera_in_every_frame_is_a_note() -> None:
    found = examine_settings(checked_set("row", seed=0, white_balance_auto=True, exposure_auto=True))
    assert [f.grave for f in found] == ["note", "note"]


def test_one_frame_held_otherwise_is_named_but_not_a_mixed_set() -> None:
    checked = checked_set("row", seed=0, columns=9)
    (found,) = examine_settings(_changed(checked, orientation={2: 1}))
    assert found.frames == (2,)
    assert "is across, the others upright" in found.words
    assert examine_settings(_changed(checked, orientation={2: 6})) == ()
    assert examine_settings(_changed(checked, orientation=dict.fromkeys((1, 3, 5), 1))) == ()


def test_bracket_that_lacks_an_exposure() -> None:
    checked = checked_set("row", seed=0)
    three = [Frame(f.exposures * 3) for f in checked.frames]
    three[3] = Frame(checked.frames[3].exposures * 2)
    (found,) = examine_settings(replace(checked, frames=tuple(three)))
    assert (found.grave, found.frames) == ("reshoot", (3,))


def test_many_values_are_one_sentence() -> None:
    found = examine_settings(checked_set("exposure-steps", seed=0))
    assert [f.grave for f in found] == ["note"]
    assert "exposure time was not locked: 1/500 s to 1/125 s" in found[0].words


@pytest.mark.parametrize("told", [False, True])
@pytest.mark.parametrize("ev", [-0.7, 0.7])
@pytest.mark.parametrize("name", ["row", "rows-3x5", "full-turn"])
def test_wrong_exposure_is_found_and_what_the_tags_tell(name: str, ev: float, told: bool) -> None:
    for frame in (0, 3, 6):
        fault = Fault(frame, exposure_ev=ev) if told else Fault(frame, untold_ev=ev)
        (found,) = examine_exposure(checked_set(name, seed=frame, faults=(fault,)))
        assert (found.kind, found.grave, found.frames) == ("exposure", "reshoot", (frame,))
        assert found.numbers["off_ev"] == pytest.approx(ev, abs=0.05)
        assert found.numbers["told_ev"] == pytest.approx(ev if told else 0.0, abs=0.05)
        assert ("as its tags say" in found.words) == told


def test_a_lesser_deviation_is_a_risk() -> None:
    (found,) = examine_exposure(checked_set("row", seed=0, faults=(Fault(2, untold_ev=0.35),)))
    assert (found.grave, found.frames) == ("risk", (2,))
    assert examine_exposure(checked_set("row", seed=0, faults=(Fault(2, untold_ev=0.15),))) == ()


def test_tags_stand_for_gains_that_are_not_measured() -> None:
    checked = checked_set("row", seed=0, faults=(Fault(2, exposure_ev=1.0),), with_tone=False)
    (found,) = examine_exposure(checked)
    assert (found.grave, found.frames) == ("reshoot", (2,))
    assert "by its tags alone" in found.words
    gone = checked_set("row", seed=0, faults=(Fault(6, exposure_ev=1.0),), unplaced={6: "shows nothing"})
    assert [f.frames for f in examine_exposure(gone)] == [(6,)]


def test_light_that_changes_slowly_is_no_frame_s_fault() -> None:
    drift = tuple(0.15 * k for k in range(11))
    found = examine_exposure(checked_set("row", seed=0, columns=11, drift_ev=drift))
    assert [f.grave for f in found] == ["risk"]
    assert "changes along the set by 1.5 EV" in found[0].words


def test_exposure_left_to_the_camera_is_one_sentence() -> None:
    (found,) = examine_exposure(checked_set("exposure-steps", seed=0))
    assert found.grave == "reshoot"
    assert "was not locked" in found.words
    assert "as the tags say" in found.words


def test_white_balance_of_one_frame() -> None:
    fault = Fault(10, white_balance=(1.12, 0.88))
    found = of_kind(examine_exposure(checked_set("row", seed=0, columns=12, faults=(fault,))), "settings")
    assert [f.frames for f in found] == [(10,)]
    assert "warmer" in found[0].words


def test_seconds_as_photographers_write_them() -> None:
    assert [seconds_words(s) for s in (1 / 250, 0.5, 2.0, 0.004001)] == ["1/250 s", "0.5 s", "2 s", "1/250 s"]
