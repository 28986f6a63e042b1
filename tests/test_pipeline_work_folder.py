"""Stage documents: what was kept comes back to the last bit, what is damaged or stale does not come back."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment, LensGroup, Level, PairTies, Placement
from belvedere.align.options import AlignOptions
from belvedere.geometry.camera import Camera
from belvedere.pipeline.document import pack, unpack
from belvedere.pipeline.stages import STAGES, SourceIdentity, stage_keys
from belvedere.pipeline.work_folder import WorkFolder

KEY = "a" * 64


def alignment(seed: int = 0) -> Alignment:
    rng = np.random.default_rng(seed)
    camera = Camera(640, 480, 700.1, (319.5, 239.25), (-0.06, 1 / 3, 0.0), (1.0, 0.0, 0.0, 0.0))
    lens = LensGroup("Brevalin", None, 50.0, 640, 480, 700.1, 690.0, (0.1, -0.2), (-0.06, 1 / 3, 0.0))
    pair = PairTies(0, 1, rng.normal(size=(5, 2)), rng.normal(size=(5, 2)), 0.1, 0.3)
    return Alignment(
        (Placement(0, camera, 0, 0, "tie-points", 0.125), Placement(0, None, reason="says nothing")),
        (lens,),
        (pair, PairTies(0, 1, np.zeros((0, 2)), np.zeros((0, 2)), 0.0, 0.0)),
        Level("pan-axis", 0.01, "from the pan axis"),
        ((0,), (1,)),
        0.1,
        ("é",),
    )


def same(a: Alignment, b: Alignment) -> bool:
    plain = (a.frames, a.lenses, a.level, a.components, a.tie_point_rms_px, a.notices)
    other = (b.frames, b.lenses, b.level, b.components, b.tie_point_rms_px, b.notices)
    ties = zip(a.pairs, b.pairs, strict=True)
    return plain == other and all(
        np.array_equal(p.points_a, q.points_a) and np.array_equal(p.points_b, q.points_b) for p, q in ties
    )


@dataclass(frozen=True)
class Numbers:
    """Something to keep."""

    x: float
    array: NDArray[np.float32]
    other: NDArray[np.int16] | None = None


@given(st.floats(allow_nan=False, allow_infinity=False), st.lists(st.floats(width=32), max_size=9))
@settings(max_examples=60, deadline=None)
def test_numbers_come_back_to_the_last_bit(x: float, values: list[float]) -> None:
    array = np.array(values, np.float32).reshape(-1, 1)
    text, arrays = pack(Numbers(x, array))
    back = unpack(text, arrays, Numbers)
    assert math.copysign(1.0, back.x) == math.copysign(1.0, x)
    assert back.x == x
    assert back.array.tobytes() == array.tobytes()
    assert back.array.shape == array.shape
    assert back.other is None


def test_what_is_kept_is_loaded(tmp_path: Path) -> None:
    notices: list[str] = []
    WorkFolder(tmp_path, notices.append).save("alignment", KEY, alignment())
    found = WorkFolder(tmp_path, notices.append).load("alignment", KEY, Alignment)
    assert found is not None
    assert same(found, alignment())
    assert notices == []


def test_another_key_is_not_loaded_and_not_talked_of(tmp_path: Path) -> None:
    notices: list[str] = []
    work = WorkFolder(tmp_path, notices.append)
    work.save("alignment", KEY, alignment())
    assert work.load("alignment", "b" * 64, Alignment) is None
    assert work.load("tone", KEY, Alignment) is None
    assert notices == []


def damaged(text: str) -> list[str]:
    document = json.loads(text)
    document["value"]["frames"][0]["camera"]["width"] = "wide"
    other = json.loads(text)
    other["value"]["pairs"][0]["points_a"]["at"] = 10**9
    outside = json.loads(text)
    outside["arrays"]["float64"]["file"] = "../" + outside["arrays"]["float64"]["file"]
    return ["", text[: len(text) // 2], "[]", *map(json.dumps, (document, other, outside))]


@pytest.mark.parametrize("number", range(6))
def test_a_damaged_document_is_noticed(tmp_path: Path, number: int) -> None:
    notices: list[str] = []
    work = WorkFolder(tmp_path, notices.append)
    work.save("alignment", KEY, alignment())
    file = tmp_path / "alignment.json"
    file.write_text(damaged(file.read_text("utf-8"))[number], "utf-8")
    assert work.load("alignment", KEY, Alignment) is None
    assert len(notices) == 1
    assert "alignment.json" in notices[0]
    assert "made again" in notices[0]


@pytest.mark.parametrize("how", ["flipped", "short", "gone"])
def test_a_damaged_array_is_noticed(tmp_path: Path, how: str) -> None:
    notices: list[str] = []
    work = WorkFolder(tmp_path, notices.append)
    work.save("alignment", KEY, alignment())
    (array,) = tmp_path.glob("*.npy")
    data = bytearray(array.read_bytes())
    data[-3] ^= 1
    if how == "gone":
        array.unlink()
    else:
        array.write_bytes(bytes(data) if how == "flipped" else bytes(data[:-8]))
    assert work.load("alignment", KEY, Alignment) is None
    assert len(notices) == 1


def test_arrays_of_earlier_results_go(tmp_path: Path) -> None:
    work = WorkFolder(tmp_path, print)
    work.save("alignment", KEY, alignment(0))
    work.save("alignment", "b" * 64, alignment(1))
    assert len(list(tmp_path.glob("*.npy"))) == 1
    assert work.load("alignment", "b" * 64, Alignment) is not None


SOURCES = [SourceIdentity("a.jpg", "0" * 64), SourceIdentity("b.jpg", "1" * 64)]
CODE = {room: "1" for stage in STAGES for room in stage.rooms}


def keys(
    sources: list[SourceIdentity] = SOURCES, code: dict[str, str] = CODE, **options: object
) -> dict[str, str]:
    return stage_keys(sources, options, code)


def changed(one: dict[str, str], other: dict[str, str]) -> set[str]:
    return {name for name in one if one[name] != other[name]}


def test_stages_come_after_what_they_read() -> None:
    seen: set[str] = set()
    for stage in STAGES:
        assert set(stage.after) <= seen
        seen.add(stage.name)


def test_keys_change_with_what_matters_and_with_nothing_else() -> None:
    everything = {stage.name for stage in STAGES}
    assert keys() == keys()
    assert all(len(key) == 64 for key in keys().values())
    assert changed(keys(), keys(list(reversed(SOURCES)))) == everything
    assert changed(keys(), keys([SOURCES[0], SourceIdentity("b.jpg", "2" * 64)])) == everything
    assert changed(keys(), keys(picture=[16])) == {"picture"}
    assert changed(keys(), keys(seams=1)) == {"seams", "picture"}
    assert changed(keys(), keys(plate=1)) == {"plate", "seams", "picture"}
    assert changed(keys(), keys(tone=1)) == {"tone", "seams", "picture"}
    assert changed(keys(alignment=AlignOptions()), keys(alignment=AlignOptions(leave_out=("a.jpg",)))) == (
        everything - {"frames"}
    )
    assert changed(keys(), keys(code=CODE | {"tone": "2"})) == {"tone", "seams", "picture"}


def test_options_for_no_stage_are_refused() -> None:
    with pytest.raises(ValueError, match="colour"):
        keys(colour=1)
