"""A plan written and read again is the same plan to the bit, and what does not fit says which key."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from belvedere.errors import UnreadableFile
from belvedere.optics.sensor import Sensor
from belvedere.plan.grid_asked import GridAsked
from belvedere.plan.head import Head
from belvedere.plan.plan_file import SCHEMA, plan_bytes, read_document, read_plan
from belvedere.plan.plan_grid import plan_grid
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.view import View, view_between_bearings

FULL_FRAME = Sensor(36.0, 24.0, 6000, 4000)


def _plan(head: Head | None = None) -> ShootPlan:
    view = view_between_bearings(math.radians(350), math.radians(40), -0.3, 0.41)
    return plan_grid(view, FULL_FRAME, 50.0, GridAsked(head=head or Head()))


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.floats(-4.0, 4.0),
    st.floats(0.1, 2 * math.pi),
    st.floats(-1.5, 0.5),
    st.floats(0.1, 1.0),
    st.one_of(st.none(), st.floats(0.0, 6.2)),
    st.one_of(st.none(), st.floats(0.01, 0.15)),
    st.floats(20.0, 90.0),
    st.floats(0.0, 0.6),
)
def test_a_plan_comes_back_to_the_bit(
    tmp_path: Path,
    left: float,
    wide: float,
    low: float,
    tall: float,
    bearing: float | None,
    click: float | None,
    focal: float,
    overlap: float,
) -> None:
    view = View(left, left + wide, low, low + tall, bearing)
    plan = plan_grid(
        view,
        FULL_FRAME,
        focal,
        GridAsked(overlap=overlap, head=Head(click, None), order="rows", begin="bottom"),
    )
    written = plan_bytes(plan)
    file = tmp_path / "plan.json"
    file.write_bytes(written)
    assert read_plan(file) == plan
    assert plan_bytes(read_plan(file)) == written


def test_every_stop_is_written_as_a_person_sets_it(tmp_path: Path) -> None:
    plan = _plan(Head(math.radians(7.5), math.radians(5.0)))
    content = json.loads(plan_bytes(plan, {"lens": "50 mm", "asked": {"b": 1, "a": 2}}))
    assert content["schema"] == SCHEMA
    assert list(content["extras"]) == ["asked", "lens"]
    stops = {s["number"]: s for row in content["rows"] for s in row["stops"]}
    assert sorted(stops) == list(range(1, plan.frames + 1))
    first = stops[1]
    assert (first["head_yaw_deg"], first["head_pitch_deg"], first["yaw_clicks"], first["pitch_clicks"]) == (
        0,
        0,
        0,
        0,
    )
    for stop in stops.values():
        assert stop["head_yaw_deg"] == pytest.approx(7.5 * stop["yaw_clicks"])
        assert stop["head_pitch_deg"] == pytest.approx(5.0 * stop["pitch_clicks"])
        assert stop["head_yaw_deg"] == pytest.approx(stop["yaw_deg"] - first["yaw_deg"])
        assert stop["bearing_deg"] == pytest.approx((15.0 + stop["yaw_deg"]) % 360.0)
    assert content["picture"]["width"] == plan.width_px
    assert content["picture"]["pixels_per_degree"] == pytest.approx(plan.pixels_per_degree)
    file = tmp_path / "plan.json"
    file.write_bytes(plan_bytes(plan, {"lens": "50 mm"}))
    assert read_document(file).extras == {"lens": "50 mm"}
    assert read_plan(file) == plan


def test_keys_of_later_versions_are_passed_over(tmp_path: Path) -> None:
    content = json.loads(plan_bytes(_plan())) | {"weather": "fair"}
    file = tmp_path / "plan.json"
    file.write_text("\ufeff" + json.dumps(content), encoding="utf-8")
    assert read_plan(file) == _plan()


def _put(*path: str | int, value: Any) -> Callable[[Any], None]:
    def change(content: Any) -> None:
        for key in path[:-1]:
            content = content[key]
        if value is ...:
            del content[path[-1]]
        else:
            content[path[-1]] = value

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_put("schema", value="belvedere.plan/9"), 'schema: has "belvedere.plan/9", but this version reads'),
        (_put("focal_mm", value=-50.0), "focal_mm: needs a number above 0"),
        (_put("focal_mm", value="fifty"), "focal_mm: needs a number, has a text"),
        (_put("overlap_wanted", value=0.95), "overlap_wanted: needs a number below 0.9"),
        (
            _put("orientation", value="askew"),
            "orientation: has 'askew', which is none of the values there are",
        ),
        (_put("sensor", "width_px", value=...), "sensor.width_px: is missing"),
        (_put("sensor", "width_px", value=12000), "do not have one shape"),
        (_put("view", "yaw_right_deg", value=700.0), "the widest is a full turn"),
        (_put("view", "pitch_high_deg", value=95.0), "pitch_high_deg: needs a number of at most 90"),
        (_put("rows", value=[]), "rows: needs 1 or more entries"),
        (_put("rows", 0, "stops", value=[]), r"rows\[0\].stops: needs 1 or more entries"),
        (_put("rows", 0, "stops", 1, "number", value=1), r"rows\[0\].stops\[1\].number: 1 stands twice"),
        (_put("rows", 0, "stops", 1, "number", value=400), "need the numbers 1 to"),
        (_put("rows", 0, "stops", 1, "column", value=5), "stands in row 0, column 1"),
        (_put("rows", 0, "stops", 1, "pitch_deg", value=1.0), "is not the row's"),
        (_put("rows", 0, "stops", 1, "yaw_clicks", value=3), "does not fit head.yaw_click_deg"),
        (_put("rows", 0, "overlap_fraction", value=1.5), "overlap_fraction: needs a number of at most 1"),
        (_put("view", value=None), "view: needs an object with keys, has null"),
    ],
)
def test_what_does_not_fit_says_where(tmp_path: Path, change: Callable[[Any], None], words: str) -> None:
    content = json.loads(plan_bytes(_plan()))
    change(content)
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(content))
    with pytest.raises(UnreadableFile, match=words) as caught:
        read_plan(file)
    assert str(file) in str(caught.value)


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b"\xff\xfe", b"null", b"[" * 5000])
def test_what_is_no_plan_is_told(tmp_path: Path, data: bytes) -> None:
    file = tmp_path / "plan.json"
    file.write_bytes(data)
    with pytest.raises(UnreadableFile):
        read_plan(file)
    with pytest.raises(UnreadableFile, match="cannot be read"):
        read_plan(tmp_path / "none.json")
