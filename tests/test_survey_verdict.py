"""The verdict on a set: what comes first, what the exit code says, and how it reads."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import get_args

import msgspec
import numpy as np
import pytest

from belvedere.align.alignment import Alignment, LensGroup, Level, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave, Kind
from belvedere.survey.checking.verdict import Verdict, unusable, verdict
from belvedere.survey.checking.verdict_json import CheckDocument, check_bytes
from belvedere.survey.checking.verdict_words import verdict_words

WIDTH, HEIGHT, FOCAL = 400, 600, 800.0


def a_set(rows: int = 1, columns: int = 5, step_deg: float = 18.0) -> Checked:
    """Frames turned in regular steps, top row first, from left to right."""
    one = Camera(
        WIDTH, HEIGHT, FOCAL, ((WIDTH - 1) / 2, (HEIGHT - 1) / 2), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0)
    )
    cameras = [
        one.with_rotation(pose_matrix(np.radians(step_deg * c), np.radians(-25.0 * r), 0.0).T)
        for r in range(rows)
        for c in range(columns)
    ]
    frames = tuple(
        Frame((Exposure(Path(f"/card/VH_{i + 1}.JPG"), Metadata(WIDTH, HEIGHT, taken=datetime(2026, 5, 1))),))
        for i in range(len(cameras))
    )
    lens = LensGroup(None, None, None, WIDTH, HEIGHT, FOCAL, FOCAL, (0.0, 0.0), (0.0, 0.0, 0.0))
    alignment = Alignment(
        tuple(Placement(0, camera) for camera in cameras),
        (lens,),
        (),
        Level("pan-axis", 0.01, ""),
        (tuple(range(len(cameras))),),
        0.1,
    )
    source = FramesInMemory([np.zeros((64, 64, 3), np.uint8)] * len(frames))
    return Checked(frames, source, alignment, None)


def finding(kind: Kind, grave: Grave, words: str = "something is so") -> Finding:
    return Finding(kind, grave, (1,), words, {"share_fraction": 0.5})


def test_a_set_without_findings_is_complete_and_says_how_large_it_is() -> None:
    found = verdict(a_set(), ())
    assert (found.answer, found.exit_code) == ("complete", 0)
    wide = 4 * 18.0 + 2 * np.degrees(np.arctan(WIDTH / 2 / FOCAL))
    assert found.wide_deg == pytest.approx(wide, abs=1.5)
    share = 1.0 - np.tan(np.radians(18.0)) / (WIDTH / FOCAL)  # along the middle; a little less off it
    assert all(s.overlap_fraction == pytest.approx(share, abs=0.06) for s in found.overlaps)
    assert found.headline.startswith("Complete: 5 frames in one row, ")
    assert found.rows == ((0, 1, 2, 3, 4),)
    assert [(s.a, s.b, s.across) for s in found.overlaps] == [(i, i + 1, "row") for i in range(4)]


def test_risks_and_notes_leave_a_set_complete() -> None:
    found = verdict(a_set(), [finding("tilt", "risk"), finding("settings", "note"), finding("roll", "risk")])
    assert found.exit_code == 0
    assert found.headline.endswith("2 things may show, below.")


def test_what_to_shoot_again_comes_first_and_the_worst_of_it_in_the_first_line() -> None:
    found = verdict(
        a_set(),
        [
            finding("tilt", "risk"),
            finding("exposure", "reshoot", "frame 2 is dark"),
            finding("missing", "reshoot", "between frames 1 and 2: a frame is missing"),
            finding("overlap", "reshoot", "overlap 11 %"),
        ],
    )
    assert (found.answer, found.exit_code) == ("reshoot", 3)
    assert [f.kind for f in found.findings] == ["missing", "overlap", "exposure", "tilt"]
    assert found.headline == "Shoot again: between frames 1 and 2: a frame is missing. And 2 more."
    words = verdict_words(found)
    assert words.startswith(found.headline)
    assert words.count("a frame is missing") == 1  # told once
    assert words.index("overlap 11 %") < words.index("frame 2 is dark") < words.index("May show")


def test_equal_findings_keep_their_order() -> None:
    same = [finding("overlap", "risk", f"number {i}") for i in range(5)]
    assert [f.words for f in verdict(a_set(), same).findings] == [f.words for f in same]


def test_an_unusable_set_says_why_and_still_lists_what_was_found() -> None:
    found = unusable(
        "no two frames overlap", ["a.jpg"], [finding("unreadable", "reshoot", "b.jpg: is empty")]
    )
    assert found.exit_code == 2
    words = verdict_words(found)
    assert words.splitlines()[0] == "Unusable: no two frames overlap."
    assert "b.jpg: is empty" in words


def test_words_fit_a_screen_when_all_is_well() -> None:
    for checked in (a_set(), a_set(columns=17, step_deg=16.0), a_set(rows=3)):
        lines = verdict_words(verdict(checked, ()), width=80).splitlines()
        assert len(lines) <= 24
        assert max(map(len, lines)) <= 80


def test_the_chain_of_overlaps_names_every_pair() -> None:
    found = verdict(a_set(rows=2), ())
    words = verdict_words(found)
    percents = [round(100 * s.overlap_fraction) for s in found.overlaps if s.across == "row" and s.row == 0]
    chain = "1" + "".join(f" -{p}- {i + 2}" for i, p in enumerate(percents))
    assert chain in words
    assert "rows 1 and 2 share" in words


def test_long_lists_are_cut_in_words_and_whole_in_json() -> None:
    many = [finding("overlap", "risk", f"number {i}.") for i in range(30)]
    found = verdict(a_set(), many)
    words = verdict_words(found)
    assert "number 7." in words
    assert "number 8." not in words
    assert "22 more" in words
    assert len(json.loads(check_bytes(found))["findings"]) == 30


def test_json_reads_back_and_holds_what_the_words_say() -> None:
    found = verdict(a_set(rows=2), [finding("missing", "reshoot", "a frame is missing")], names=["x"] * 10)
    for data in (check_bytes(found), check_bytes(found, indented=False)):
        document = msgspec.json.decode(data, type=CheckDocument)
        assert (document.schema, document.answer, document.exit_code) == ("belvedere.check/1", "reshoot", 3)
        assert document.frames == ("x",) * 10
        assert document.findings[0].numbers == {"share_fraction": 0.5}
        assert len(document.overlaps) == len(found.overlaps)
    assert b"\n" not in check_bytes(found, indented=False)


def test_json_bears_names_that_are_no_text_and_numbers_that_are_none() -> None:
    odd = Finding("unreadable", "reshoot", (), "a\udcff.jpg: is empty", {"gain_ev": float("nan")})
    document = json.loads(check_bytes(unusable("nothing", ["a\udcff.jpg"], [odd])))
    assert document["frames"] == ["a\ufffd.jpg"]
    assert document["findings"][0]["numbers"] == {"gain_ev": None}


def test_every_kind_of_finding_has_its_place() -> None:
    kinds = get_args(Kind)
    found: Verdict = verdict(a_set(), [finding(kind, "risk") for kind in kinds])
    assert {f.kind for f in found.findings} == set(kinds)
