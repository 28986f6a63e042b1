"""Overlaps, missing frames, ends, tilt and level of a set: each fault found where it is, none invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from belvedere.align.alignment import Alignment, Level, Placement
from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.demo.faults import Fault
from belvedere.demo.spec import ShootingOrder
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix, rotation_z
from belvedere.survey.checking.check_ends import examine_ends
from belvedere.survey.checking.check_overlap import examine_overlap
from belvedere.survey.checking.check_tilt import examine_tilt
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.coverage_map import OPEN, coverage_map
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.head_grid import head_grid
from belvedere.survey.checking.neighbours import shared_rows, shared_steps
from checked_sets import BLANK, checked_set, of_kind

CLEAN: list[tuple[str, dict[str, Any]]] = [
    ("row", {"focal_mm": 24.0, "columns": 5}),
    ("row", {}),
    ("row", {"columns": 3}),
    ("row", {"columns": 17, "focal_mm": 150.0, "scatter_deg": 0.1}),
    ("rows-3x5", {}),
    ("rows-3x5", {"order": ShootingOrder("up", "left", True)}),
    ("rows-3x5", {"columns": 7, "pitch_deg": 30.0}),
    ("rows-3x5", {"columns": 1, "rows": 4}),
    ("full-turn", {}),
    ("full-turn", {"rows": 2}),
    ("mixed-orientations", {}),
]


def _findings(checked: Checked) -> tuple[Finding, ...]:
    return (*examine_overlap(checked), *examine_ends(checked), *examine_tilt(checked))


@pytest.mark.parametrize(("name", "changes"), CLEAN)
def test_nothing_is_invented_on_clean_sets(name: str, changes: dict[str, Any]) -> None:
    for seed in range(4):
        findings = _findings(checked_set(name, seed=seed, **changes))
        assert [f.words for f in findings if f.grave != "note"] == []


def test_overlap_is_the_share_that_rays_tell() -> None:
    checked = checked_set("rows-3x5", seed=2)
    grid = head_grid(checked.alignment)
    steps = shared_steps(grid)
    assert len(steps) == 12
    for s in steps:
        first, second = (grid.cameras[i] for i in sorted((s.a, s.b)))
        assert s.overlap == pytest.approx(
            overlap_fraction(first.rays(frame_grid(first, 200)), second), abs=0.01
        )
        assert (s.a + 1, s.step.missing) == (s.b, 0)
    assert {s.towards for s in shared_rows(grid)} == {0, 1, 2}
    assert np.median([s.overlap for s in shared_rows(grid)]) == pytest.approx(1.0 / 3.0, abs=0.06)


def test_small_overlap_says_where_to_turn() -> None:
    turned = tuple(Fault(i, yaw_deg=7.0) for i in range(4, 7))
    checked = checked_set("row", seed=1, faults=turned)
    (found,) = of_kind(examine_overlap(checked), "overlap")
    assert found.frames == (3, 4)
    assert found.grave == "reshoot"
    assert found.numbers["overlap_fraction"] < 0.15
    half = (18.1 + 7.0) / 2.0
    assert found.numbers["turn_deg"] == pytest.approx(half, abs=0.6)
    assert "between frames 4 and 5 (VH_1004.JPG, VH_1005.JPG): overlap" in found.words
    assert "degrees right of frame 4" in found.words


@pytest.mark.parametrize(("extra_deg", "grave"), [(2.5, "risk"), (6.5, "reshoot"), (0.0, None)])
def test_how_grave_an_overlap_is(extra_deg: float, grave: str | None) -> None:
    turned = tuple(Fault(i, yaw_deg=extra_deg) for i in range(4, 7))
    found = of_kind(examine_overlap(checked_set("row", seed=3, faults=turned)), "overlap")
    assert [f.grave for f in found] == ([grave] if grave else [])


def test_a_frame_shot_later_between_two_heals_the_joint() -> None:
    """What the words ask for makes the set complete, also when it comes last in the order shot."""
    late = (*(Fault(i, yaw_deg=7.0) for i in range(4, 7)), Fault(7, yaw_deg=-4.0 * 18.1 + 3.4 + 9.1))
    checked = checked_set("row", seed=1, columns=8, faults=tuple(late))
    assert of_kind(examine_overlap(checked), "overlap", "reshoot") == []
    assert of_kind(examine_overlap(checked), "missing") == []


def test_a_row_of_wide_steps_is_said_once() -> None:
    (found,) = examine_overlap(checked_set("row", seed=1, overlap=0.11))
    assert (found.kind, found.grave) == ("overlap", "reshoot")
    assert found.numbers["count"] == 6.0
    assert found.numbers["step_deg"] == pytest.approx(24.1, abs=0.5)


@pytest.mark.parametrize("place", [(0, 1), (1, 2), (2, 3)])
@pytest.mark.parametrize("serpentine", [False, True])
def test_missing_frame_is_found_in_its_place(place: tuple[int, int], serpentine: bool) -> None:
    order = ShootingOrder(serpentine=serpentine)
    for seed in range(2):
        checked = checked_set("rows-3x5", seed=seed, omit=(place,), order=order)
        (found,) = of_kind(_findings(checked), "missing")
        assert found.grave == "reshoot"
        assert (found.numbers["row"], found.numbers["column"], found.numbers["count"]) == (*place, 1.0)
        assert abs(found.numbers["turn_deg"]) == pytest.approx(18.2, abs=1.0)


def test_two_frames_missing_are_counted() -> None:
    (found,) = of_kind(
        examine_overlap(checked_set("row", seed=0, columns=9, omit=((0, 4), (0, 5)))), "missing"
    )
    assert found.frames == (3, 4)
    assert found.numbers["count"] == 2.0
    assert "2 frames are missing" in found.words


@pytest.mark.parametrize("column", range(12))
def test_missing_frame_of_a_full_turn_is_found_wherever_it_is(column: int) -> None:
    checked = checked_set("full-turn", seed=column, omit=((0, column),))
    (found,) = of_kind(examine_overlap(checked), "missing")
    assert set(found.frames) == {(column - 1) % 11 if column else 10, column % 11}


def test_a_wide_row_that_does_not_close_is_no_fault() -> None:
    checked = checked_set("full-turn", columns=9, full_turn=False, step_deg=30.0)
    assert of_kind(_findings(checked), "missing") == []


@pytest.mark.parametrize(("place", "end"), [((0, 0), "left"), ((1, 4), "right"), ((2, 0), "left")])
def test_missing_frame_at_an_end_is_found(place: tuple[int, int], end: str) -> None:
    (found,) = of_kind(_findings(checked_set("rows-3x5", seed=5, omit=(place,))), "missing")
    assert found.numbers["row"] == place[0]
    assert f"the {end} end is a frame short" in found.words
    assert np.sign(found.numbers["turn_deg"]) == (1.0 if end == "right" else -1.0)


def test_a_short_row_meant_so_is_a_risk_only() -> None:
    omit = tuple((0, c) for c in (0, 1, 2, 6, 7, 8))
    findings = _findings(checked_set("rows-3x5", seed=0, columns=9, omit=omit))
    assert [f.grave for f in of_kind(findings, "ends")] == ["risk", "risk"]
    assert of_kind(findings, "missing") == []


def test_rows_that_do_not_meet() -> None:
    findings = _findings(checked_set("rows-3x5", seed=0, rows=2, row_overlap=-0.1))
    (found,) = of_kind(findings, "missing")
    assert "rows 1 and 2 do not meet: a row is missing" in found.words
    assert found.numbers["up_deg"] == pytest.approx(-21.6, abs=1.0)


def test_rows_that_overlap_too_little() -> None:
    (found,) = of_kind(_findings(checked_set("rows-3x5", seed=0, rows=2, row_overlap=0.08)), "overlap")
    assert found.grave == "reshoot"
    assert found.numbers["overlap_fraction"] == pytest.approx(0.08, abs=0.04)


def test_block_that_does_not_join_says_where_the_gap_is() -> None:
    why = "belongs to another block of 3 frames"
    checked = checked_set("row", seed=0, columns=9, omit=((0, 5),), unplaced=dict.fromkeys((5, 6, 7), why))
    (found,) = of_kind(examine_overlap(checked), "missing")
    assert found.frames == (4, 5)
    assert "right of frame 5 (VH_1005.JPG)" in found.words
    assert found.numbers["turn_deg"] == pytest.approx(18.2, abs=1.0)


def test_frame_that_cannot_be_placed() -> None:
    why = {7: "shows nothing that can be recognised in another frame"}
    (found,) = of_kind(examine_overlap(checked_set("row", seed=0, columns=8, unplaced=why)), "stray")
    assert (found.frames, found.grave) == ((7,), "reshoot")
    assert "right of frame 7" in found.words


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(
    ("name", "changes"),
    [("row", {"focal_mm": 24.0, "columns": 5}), ("row", {}), ("rows-3x5", {}), ("full-turn", {})],
)
def test_rolled_frame_is_found_wherever_it_is(name: str, changes: dict[str, Any], sign: float) -> None:
    for seed in range(4):
        spec_frames = 5 if "columns" in changes else {"row": 7, "rows-3x5": 15, "full-turn": 12}[name]
        frame = (seed * 4) % spec_frames
        checked = checked_set(name, seed=seed, faults=(Fault(frame, roll_deg=4.0 * sign),), **changes)
        (found,) = of_kind(examine_tilt(checked), "roll")
        assert (found.frames, found.grave) == ((frame,), "risk")
        assert found.numbers["roll_deg"] == pytest.approx(4.0 * sign, abs=0.8)


def test_two_rolled_frames_are_both_found() -> None:
    faults = (Fault(1, roll_deg=4.0), Fault(5, roll_deg=-3.0))
    found = of_kind(examine_tilt(checked_set("row", seed=0, columns=9, faults=faults)), "roll")
    assert [f.frames for f in found] == [(1,), (5,)]


@pytest.mark.parametrize("drift", [-3.0, 3.0])
@pytest.mark.parametrize(
    ("name", "changes"),
    [("row", {}), ("row", {"columns": 17, "focal_mm": 150.0}), ("rows-3x5", {}), ("row", {"columns": 3})],
)
def test_row_that_climbs_is_found(name: str, changes: dict[str, Any], drift: float) -> None:
    for seed in range(2):
        findings = examine_tilt(checked_set(name, seed=seed, tilt_drift_deg=drift, **changes))
        (found,) = of_kind(findings, "tilt")
        assert found.numbers["climb_deg"] == pytest.approx(drift, abs=1.0)
        assert ("climb" if drift > 0.0 else "sink") in found.words


@pytest.mark.parametrize("columns", [7, 9, 12])
def test_a_row_that_climbs_two_degrees_is_found_whichever_way_the_head_leans(columns: int) -> None:
    for seed in range(6):
        azimuth, drift = -160.0 + 60.0 * seed, 2.0 if seed % 2 else -2.0
        lean = {"columns": columns, "tilt_azimuth_deg": azimuth, "seed": seed}
        (found,) = of_kind(examine_tilt(checked_set("row", tilt_drift_deg=drift, **lean)), "tilt")
        assert found.numbers["climb_deg"] == pytest.approx(drift, abs=1.0)
        assert of_kind(examine_tilt(checked_set("row", **lean)), "tilt") == []


def test_a_row_that_climbs_by_little_is_only_good_to_know() -> None:
    """The same two degrees cost a wide frame 3 % of its height and a long lens's 15 %."""
    graves = {}
    for focal, columns in ((24.0, 5), (150.0, 17)):
        changes = {"focal_mm": focal, "columns": columns, "scatter_deg": 0.05}
        (found,) = of_kind(examine_tilt(checked_set("row", tilt_drift_deg=2.0, **changes)), "tilt")
        graves[focal] = found.grave
        assert ("before the next series" in found.words) == (found.grave == "note")
    assert graves == {24.0: "note", 150.0: "risk"}


def test_a_camera_askew_on_the_head_is_no_row_that_climbs() -> None:
    """A wide row tells the two apart: a drift shows in the pitch alone, askew frames in the roll."""
    askew = rotation_z(np.radians(1.8)).T
    for seed in range(4):
        checked = checked_set("row", columns=9, seed=seed)
        places = tuple(
            replace(p, camera=p.camera.with_rotation(askew @ p.camera.rotation)) if p.camera else p
            for p in checked.alignment.frames
        )
        findings = examine_tilt(replace(checked, alignment=replace(checked.alignment, frames=places)))
        assert of_kind(findings, "tilt") == []
        (found,) = [f for f in of_kind(findings, "level") if "roll_deg" in f.numbers]
        assert found.grave == "note"
        assert found.numbers["roll_deg"] == pytest.approx(1.8, abs=0.4)
        drifting = of_kind(
            examine_tilt(checked_set("row", columns=12, seed=seed, tilt_drift_deg=3.0)), "tilt"
        )
        assert "the head gives way;" in drifting[0].words


def test_frame_off_its_row_is_found() -> None:
    (found,) = of_kind(examine_tilt(checked_set("row", seed=0, faults=(Fault(3, pitch_deg=-6.0),))), "tilt")
    assert found.frames == (3,)
    assert "tilt up and shoot it again only if" in found.words


def test_head_out_of_level_is_told_where_something_tells_it() -> None:
    (found,) = of_kind(examine_tilt(checked_set("row", seed=0, level_from="sea-horizon")), "level")
    assert found.grave == "risk"
    assert found.numbers["lean_deg"] == pytest.approx(3.0, abs=0.5)
    assert found.numbers["towards_yaw_deg"] == pytest.approx(40.0, abs=10.0)
    (unsure,) = of_kind(examine_tilt(checked_set("row", seed=0)), "level")
    assert unsure.grave == "note"
    assert of_kind(examine_tilt(checked_set("row", seed=0, level_from="person", tilt_deg=0.0)), "level") == []


@pytest.mark.parametrize(
    "poses_deg",
    [
        [(0.0, 0.0)],
        [(0.0, 0.0)] * 4,
        [(0.0, 15.0 * k) for k in range(-3, 6)],
        [(0.0, 30.0 * k) for k in range(-1, 6)],
        [(40.0 * k, 84.0) for k in range(9)],
        [(24.0 * k, 0.0) for k in range(17)],
    ],
)
def test_odd_sets_are_judged_too(poses_deg: list[tuple[float, float]]) -> None:
    """A single frame, one shot again and again, a column, one over the zenith, a cap, over a turn."""
    cameras = [
        Camera(400, 600, 600.0, (199.5, 299.5), (0.0, 0.0, 0.0), quaternion_from_matrix(pose.T))
        for pose in (pose_matrix(*np.radians([yaw, pitch, 0.0])) for yaw, pitch in poses_deg)
    ]
    alignment = Alignment(
        tuple(Placement(0, c) for c in cameras),
        (),
        (),
        Level("tags", 0.01, ""),
        (tuple(range(len(cameras))),),
        0.3,
    )
    frames = tuple(Frame((Exposure(Path(f"F{i}.JPG"), Metadata(400, 600)),)) for i in range(len(cameras)))
    findings = _findings(Checked(frames, BLANK, alignment, None))
    assert [f.words for f in findings if f.grave != "note"] == []
    assert not any("nan" in f.words for f in findings)
    assert coverage_map(alignment).lines


# The map


def test_map_marks_what_is_missing() -> None:
    whole = coverage_map(checked_set("rows-3x5", seed=0).alignment)
    holed = coverage_map(checked_set("rows-3x5", seed=0, omit=((1, 2),)).alignment)
    assert not (whole.cells < 0).any()
    assert whole.hole_fraction == 0.0
    assert not any(OPEN in line for line in whole.lines)
    assert (holed.cells < 0).any()
    assert any(OPEN * 3 in line for line in holed.lines)
    r, c = np.argwhere(holed.cells < 0).mean(axis=0)
    assert abs(holed.left + (c + 0.5) * holed.cell_width) < 0.1
    assert abs(holed.top - (r + 0.5) * holed.cell_height + np.radians(6.0)) < 0.1


def test_map_marks_a_missing_row() -> None:
    map_ = coverage_map(checked_set("rows-3x5", seed=0, rows=2, row_overlap=-0.1).alignment)
    lines = np.flatnonzero((map_.cells < 0).any(axis=1))
    assert len(lines)
    assert (map_.cells[lines[len(lines) // 2]] < 0).sum() > 0.7 * (map_.cells[lines[0] - 3] > 0).sum()


@pytest.mark.parametrize("columns", [24, 72])
def test_map_of_a_full_turn_has_no_seam(columns: int) -> None:
    map_ = coverage_map(checked_set("full-turn", seed=0).alignment, columns=columns)
    assert map_.wide == pytest.approx(2.0 * np.pi)
    assert map_.cells.shape[1] == columns
    assert (map_.cells[map_.cells.shape[0] // 2] > 0).all()
    assert map_.once + map_.twice == pytest.approx(1.0)
    assert all(len(line) <= columns + 60 for line in map_.lines)


def test_map_counts_what_frames_share() -> None:
    map_ = coverage_map(checked_set("row", seed=0, scatter_deg=0.0, tilt_deg=0.0).alignment)
    # seven frames, six overlaps of a third: 6/3 of the 7 - 6/3 frame widths are shown twice
    assert map_.twice == pytest.approx(2.0 / 5.0, abs=0.03)


def _sweep(pitches_deg: list[float]) -> Alignment:
    """A column from the level over the zenith to the level behind, the camera leaning back."""
    cameras = [
        Camera(
            600,
            400,
            700.0,
            (299.5, 199.5),
            (0.0, 0.0, 0.0),
            quaternion_from_matrix(pose_matrix(*np.radians([30.0 + 0.5 * k, pitch, 0.3])).T),
        )
        for k, pitch in enumerate(pitches_deg)
    ]
    whole = (tuple(range(len(cameras))),)
    places = tuple(Placement(0, c) for c in cameras)
    return Alignment(places, (), (), Level("tags", 0.01, ""), whole, 0.3)


def test_map_of_a_sweep_over_the_zenith_is_drawn_along_it() -> None:
    map_ = coverage_map(_sweep([20.0 * k for k in range(10)]))
    assert map_.along
    assert np.degrees(map_.wide) == pytest.approx(180.0 + 31.9, abs=3.0)
    assert np.degrees(map_.tall) == pytest.approx(46.4, abs=4.0)
    assert (map_.cells[map_.cells.shape[0] // 2] > 0).all()
    assert any("+90 the zenith" in line for line in map_.lines)


def test_map_of_a_sweep_marks_what_is_missing_in_it() -> None:
    map_ = coverage_map(_sweep([20.0 * k for k in range(10) if k not in (5, 6)]))
    open_ = np.flatnonzero((map_.cells < 0).all(axis=0))
    middle = map_.left + (open_.mean() + 0.5) * map_.cell_width
    assert np.degrees(middle) == pytest.approx(110.0, abs=4.0)


def test_map_of_a_cap_says_that_it_is_stretched() -> None:
    plain = coverage_map(checked_set("rows-3x5", seed=0).alignment)
    assert not any("stretched" in line for line in plain.lines)
    cap = coverage_map(checked_set("full-turn", rows=3, pitch_deg=45.0, row_step_deg=40.0).alignment)
    assert not cap.along
    assert any("the map is stretched" in line for line in cap.lines)


def test_over_the_zenith_nothing_is_to_the_right() -> None:
    """A frame that cannot be placed after the sweep's last one: where it belongs is not in a row."""
    alignment = _sweep([20.0 * k for k in range(10)])
    lost = (*alignment.frames, Placement(0, None, reason="shows nothing that can be recognised"))
    frames = tuple(Frame((Exposure(Path(f"F{i}.JPG"), Metadata(600, 400)),)) for i in range(len(lost)))
    (found,) = of_kind(
        examine_overlap(Checked(frames, BLANK, replace(alignment, frames=lost), None)), "stray"
    )
    assert found.grave == "reshoot"
    assert "right of" not in found.words
