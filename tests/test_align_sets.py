"""Alignment of whole sets against the demo's truth, and of real photographs against what is known of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.gather import gather
from belvedere.demo.render import render_frames, truth
from belvedere.demo.sets import set_spec
from belvedere.demo.truth import Truth
from belvedere.errors import NothingToMake
from belvedere.geometry.camera import Camera
from belvedere.pipeline.schedule import Threads
from benchmarks import against_truth

REAL = Path(__file__).parents[2] / "shared" / "data" / "real"


@dataclass(frozen=True)
class Shot:
    truth: Truth
    frames: tuple[Frame, ...]
    source: FramesInMemory

    def tagged(self, exif: bool, tag: float) -> Shot:
        """The same pixels without Exif, or with a focal-length tag `tag` times as long."""
        frames = []
        for frame in self.frames:
            told = frame.metadata
            wrong = replace(told, focal_35mm=(told.focal_35mm or 0.0) * tag)
            bare = Metadata(told.width, told.height)
            frames.append(Frame((Exposure(frame.file, wrong if exif else bare),)))
        return Shot(self.truth, tuple(frames), self.source)

    def part(self, which: Sequence[int]) -> Shot:
        pixels = [self.source.whole(i, 0) for i in which]
        return Shot(self.truth, tuple(self.frames[i] for i in which), FramesInMemory(pixels))


def shoot(name: str, *, megapixels: float = 0.8, **changes: Any) -> Shot:
    """A demo set in memory."""
    spec = set_spec(name, megapixels=megapixels, **changes)
    width, height = spec.stored_size
    told = truth(spec)
    frames = []
    for shot in told.frames:
        metadata = Metadata(
            width, height, shot.orientation, make="M", model="C", focal_mm=50.0, focal_35mm=spec.focal_mm
        )
        frames.append(Frame((Exposure(Path(shot.file), metadata),)))
    return Shot(told, tuple(frames), FramesInMemory(render_frames(spec)))


def align(shot: Shot) -> Alignment:
    return estimate_alignment(shot.source, shot.frames, AlignOptions(), Threads(2))


def cameras_of(found: Alignment) -> dict[int, Camera]:
    return {i: p.camera for i, p in enumerate(found.frames) if p.camera is not None}


def place_errors(told: Truth, found: Alignment) -> NDArray[np.float64]:
    return against_truth.place_errors(told, cameras_of(found))


def disagreement_px(told: Truth, found: Alignment) -> NDArray[np.float64]:
    return against_truth.disagreement_px(told, cameras_of(found))


@pytest.fixture(scope="module")
def row() -> Shot:
    return shoot("row")


@pytest.fixture(scope="module")
def of_row(row: Shot) -> Alignment:
    return align(row)


def test_a_row_is_solved_to_hundredths_of_a_pixel(row: Shot, of_row: Alignment) -> None:
    found = of_row
    assert found.used == tuple(range(7))
    apart = disagreement_px(row.truth, found)
    assert np.sqrt(np.mean(apart**2)) < 0.05
    assert np.percentile(apart, 99) < 0.2
    camera = row.truth.frames[0].camera
    assert found.lenses[0].focal_px == pytest.approx(camera.focal_px, rel=1e-3)
    assert place_errors(row.truth, found).max() < 5e-4
    assert [p.column for p in found.frames] == list(range(7))
    assert {p.row for p in found.frames} == {0}


def test_rows_are_one_block_with_rows_and_columns() -> None:
    shot = shoot("rows-3x5", megapixels=0.4)
    found = align(shot)
    assert len(found.used) == 15
    assert place_errors(shot.truth, found).max() < 1e-4
    for told, place in zip(shot.truth.frames, found.frames, strict=True):
        assert (place.row, place.column) == (told.row, told.column)


def test_a_full_turn_closes() -> None:
    shot = shoot("full-turn", megapixels=0.4)
    found = align(shot)
    assert len(found.used) == 12
    assert place_errors(shot.truth, found).max() < 1e-4
    assert (0, 11) in {(p.a, p.b) for p in found.pairs}


def test_orientations_share_one_lens() -> None:
    shot = shoot("mixed-orientations")
    found = align(shot)
    assert len(found.used) == 8
    assert len(found.lenses) == 1
    assert place_errors(shot.truth, found).max() < 5e-4
    spec = set_spec("mixed-orientations", megapixels=0.8)
    px_per_mm = spec.stored_size[0] / spec.body.sensor_mm[0]
    true_offset = np.array(spec.lens.principal_offset_mm) * px_per_mm
    np.testing.assert_allclose(found.lenses[0].principal_offset_sensor_px, true_offset, atol=0.5)


@pytest.mark.parametrize(("exif", "tag"), [(False, 1.0), (True, 1.15), (True, 0.85)])
def test_the_pictures_overrule_missing_or_wrong_focal_lengths(row: Shot, exif: bool, tag: float) -> None:
    found = align(row.tagged(exif, tag))
    focal = row.truth.frames[0].camera.focal_px
    assert len(found.used) == 7
    assert found.lenses[0].focal_start_px == pytest.approx(focal, rel=0.03)
    assert found.lenses[0].focal_px == pytest.approx(focal, rel=2e-3)
    assert bool(found.notices) == exif  # a wrong tag is told, a missing one has nothing to contradict


def test_two_blocks_that_meet_nowhere_are_both_named() -> None:
    shot = shoot("gap", megapixels=0.6)
    found = align(shot)
    assert len(found.components) == 2
    assert len(found.used) == 4
    assert all("another block" in (p.reason or "") for p in found.frames if not p.used)


def test_a_stray_is_left_out_by_geometry_and_named(row: Shot) -> None:
    other = shoot("rows-3x5", megapixels=0.8, columns=1, rows=1, yaw_deg=150.0)
    pixels = [row.source.whole(i, 0) for i in range(7)]
    pixels.insert(3, other.source.whole(0, 0))
    frames = list(row.frames)
    frames.insert(3, Frame((Exposure(Path("stray.jpg"), row.frames[0].metadata),)))
    found = estimate_alignment(FramesInMemory(pixels), frames, AlignOptions())
    assert found.used == (0, 1, 2, 4, 5, 6, 7)
    assert "nothing that can be recognised" in (found.frames[3].reason or "")


def test_the_order_of_the_frames_does_not_matter(row: Shot, of_row: Alignment) -> None:
    order = [4, 0, 6, 2, 1, 5, 3]
    mixed = align(row.part(order))
    assert mixed.lenses[0].focal_px == pytest.approx(of_row.lenses[0].focal_px, rel=3e-4)
    assert [mixed.frames[k].column for k in range(7)] == order


def test_the_answer_does_not_depend_on_who_runs_the_jobs(row: Shot) -> None:
    part = row.part([0, 1, 2])
    one = estimate_alignment(part.source, part.frames, AlignOptions())
    two = estimate_alignment(part.source, part.frames, AlignOptions(), Threads(3))
    assert [p.camera for p in one.frames] == [p.camera for p in two.frames]


def test_frames_that_share_nothing_make_no_picture(row: Shot) -> None:
    with pytest.raises(NothingToMake, match="overlap"):
        align(row.part([0, 3, 6]))


@pytest.mark.parametrize(
    ("name", "seed"),
    [
        ("plain-top-row", 20),
        ("repeated-texture", 21),
        ("exposure-steps", 22),
        ("row", 23),
        ("clipped-sky", 24),
        ("cloud-drift", 25),
    ],
)
def test_no_frame_of_a_small_set_is_off_without_a_word(name: str, seed: int) -> None:
    """Every used frame lies within 0.0005 of its long side of the truth or carries a doubt."""
    shot = shoot(name, megapixels=0.3, seed=seed)
    found = align(shot)
    for i, error in zip(found.used, place_errors(shot.truth, found), strict=True):
        assert error < 5e-4 or found.frames[i].doubt, f"frame {i} is off by {error:.5f} without a word"


def real(name: str) -> Shot:
    folder = REAL / name
    if not folder.is_dir():
        pytest.skip(f"no real photographs at {folder}")
    frames = gather([folder]).frames
    pixels = list(Threads(2)(lambda frame: decode(frame.exposures[0]), frames))
    return Shot(None, frames, FramesInMemory(pixels))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "count", "stranger"),
    [
        ("bridge-river-row", 3, "bk-and-manhattan-bridge-3.jpg"),
        ("cathedral-corner-two-rows", 6, None),
        ("courtyard-dusk-360", 14, None),
        ("dome-over-zenith", 10, None),
        ("gothic-front-three-rows", 6, None),
        ("palace-front-two-rows", 11, None),
        ("park-row-no-exif", 8, None),
        ("roofs-row", 4, None),
        ("snow-ridge-180-row", 6, None),
    ],
)
def test_real_photographs_use_the_right_frames(name: str, count: int, stranger: str | None) -> None:
    """Order, rows and strangers as told in shared/data/real/SOURCES.md."""
    shot = real(name)
    found = estimate_alignment(shot.source, shot.frames, AlignOptions(ties_per_pair=60), Threads(2))
    assert len(found.used) == count
    out = [shot.frames[i].name for i, p in enumerate(found.frames) if not p.used]
    assert out == ([stranger] if stranger else [])
