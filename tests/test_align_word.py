"""The photographer's word in the alignment: joints set by hand, frames kept, against the demo's truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.align.contradictions import _weakest_between
from belvedere.align.estimate import estimate_alignment
from belvedere.align.hand_ties import measure_by_hand
from belvedere.align.level_by_hand import level_by_hand
from belvedere.align.level_evidence import combine
from belvedere.align.links import Link, consistent
from belvedere.align.options import AlignOptions, HandTies
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.said import SetTies, said_of
from belvedere.align.start import Sights
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.render import render_frames, truth
from belvedere.demo.sets import set_spec
from belvedere.errors import NothingToMake
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import matrix_from_vector, pose_matrix, quaternion_from_matrix
from benchmarks import against_truth

NAMES = [f"F{i}.JPG" for i in range(7)]


class Shot:
    """A row in memory, with its true cameras."""

    def __init__(self, megapixels: float = 0.5, **changes: object) -> None:
        spec = set_spec("row", megapixels=megapixels, **changes)
        self.told = truth(spec)
        self.pixels = render_frames(spec)
        width, height = spec.stored_size
        self.metadata = Metadata(
            width, height, self.told.frames[0].orientation, make="M", model="C", focal_35mm=spec.focal_mm
        )

    def align(
        self,
        which: Sequence[int],
        options: AlignOptions,
        *,
        instead: dict[int, NDArray[np.uint8]] | None = None,
    ) -> Alignment:
        """Align some frames, called by their place in the row; `instead` replaces pixels."""
        pixels = [(instead or {}).get(i, self.pixels[i]) for i in which]
        frames = [Frame((Exposure(Path(NAMES[i]), self.metadata),)) for i in which]
        return estimate_alignment(FramesInMemory(pixels), frames, options)

    def errors(self, which: Sequence[int], found: Alignment) -> NDArray[np.float64]:
        told = replace(self.told, frames=tuple(self.told.frames[i] for i in which))
        cameras = {k: p.camera for k, p in enumerate(found.frames) if p.camera is not None}
        return against_truth.place_errors(told, cameras)

    def set_ties(self, a: int, b: int, count: int, *, scatter: float, margin: float = 4.0) -> HandTies:
        """What a person would set between two frames: details both show, px off by `scatter`."""
        one, two = self.told.frames[a].camera, self.told.frames[b].camera
        u, v = np.meshgrid(np.arange(margin, one.width - margin), np.linspace(0.2, 0.8, 31) * one.height)
        here = np.stack([u, v], axis=-1).reshape(-1, 2)
        there, seen = two.project(one.rays(here))
        seen &= (there[:, 0] > margin) & (there[:, 0] < two.width - 1 - margin)
        here, there = here[seen], there[seen]
        chosen = np.argsort(here[:, 1], kind="stable")[np.linspace(0, len(here) - 1, count).astype(int)]
        points = np.hstack([here[chosen], there[chosen]])
        points += np.random.default_rng(a).normal(0.0, scatter, points.shape)
        return HandTies(NAMES[a], NAMES[b], tuple(tuple(p) for p in points.tolist()))  # type: ignore[misc]


PARTS = (0, 1, 2, 4, 5, 6)  # frames 2 and 4 share a hundredth of their width


@pytest.fixture(scope="module")
def thin() -> Shot:
    return Shot(0.35, overlap=0.515)


@pytest.fixture(scope="module")
def row() -> Shot:
    return Shot()


# Joints


def test_two_points_join_what_nothing_else_joins(thin: Shot) -> None:
    apart = thin.align(PARTS, AlignOptions())
    assert (2, 3) not in {(p.a, p.b) for p in apart.pairs}
    ties = thin.set_ties(2, 4, 2, scatter=0.5)
    found = thin.align(PARTS, AlignOptions(tie_points=(ties,)))
    assert found.used == tuple(range(6))
    assert {p.placed_by for p in found.frames} == {"tie-points"}
    assert len(found.components) == 1
    assert thin.errors(PARTS, found).max() < 1.5e-3
    errors = dict(zip(found.used, thin.errors(PARTS, found), strict=True))
    assert all(errors[i] < 5e-4 or found.frames[i].doubt for i in found.used)


def test_it_does_not_matter_which_frame_is_named_first(thin: Shot) -> None:
    ties = thin.set_ties(2, 4, 2, scatter=0.5)
    turned = HandTies(ties.b, ties.a, tuple((c, d, a, b) for a, b, c, d in ties.points))
    assert said_of(AlignOptions(tie_points=(ties,)), NAMES).ties[0].points.tolist() == pytest.approx(
        said_of(AlignOptions(tie_points=(turned,)), NAMES).ties[0].points
    )
    half = (replace(ties, points=ties.points[:1]), replace(turned, points=turned.points[1:]))
    (both,) = said_of(AlignOptions(tie_points=half), NAMES).ties
    assert (both.a, both.b, len(both.points)) == (2, 4, 2)


def test_points_set_by_hand_are_measured_again_where_the_pixels_agree(row: Shot) -> None:
    three = [0, 1, 2]
    ties = row.set_ties(1, 2, 4, scatter=1.0, margin=24.0)
    found = row.align(three, AlignOptions(tie_points=(ties,)))
    alone = row.align(three, AlignOptions())
    assert row.errors(three, found).max() < max(1e-4, 2.0 * row.errors(three, alone).max())
    counts = [{(p.a, p.b): len(p.points_a) for p in a.pairs}[1, 2] for a in (found, alone)]
    assert abs(counts[0] - counts[1] - 4) <= 2  # one more or less of the others may lie too far off
    own = {(p.a, p.b): p for p in found.pairs}[1, 2]
    set_a = np.array(ties.points)[:, :2]
    assert np.linalg.norm(own.points_a[-4:] - set_a, axis=1).max() < 2.0  # whatever happens, these stay


def test_points_that_contradict_one_another_stop_the_run_and_name_the_culprit(row: Shot) -> None:
    ties = row.set_ties(1, 2, 4, scatter=0.3)
    u, v, x, y = ties.points[2]
    wrong = replace(ties, points=(*ties.points[:2], (u, v, x, y - 60.0), ties.points[3]))
    with pytest.raises(NothingToMake, match=r"F1.JPG and F2.JPG contradict .* px; the likeliest") as told:
        row.align([0, 1, 2], AlignOptions(tie_points=(wrong,)))
    assert f"[{u:g}, {v:g}, " in str(told.value)
    with pytest.raises(NothingToMake, match=r"2 tie points .* one of them"):
        row.align([0, 1, 2], AlignOptions(tie_points=(replace(wrong, points=wrong.points[1:3]),)))


def test_points_that_miss_by_a_few_px_leave_a_doubt(row: Shot) -> None:
    ties = row.set_ties(1, 2, 3, scatter=0.0)
    u, v, x, y = ties.points[1]
    off = replace(ties, points=(ties.points[0], (u, v, x + 9.0, y), ties.points[2]))
    found = row.align([0, 1, 2], AlignOptions(tie_points=(off,)))
    assert found.frames[0].doubt is None
    assert "set by hand between it and F2.JPG miss one another by up to 9 px" in (found.frames[1].doubt or "")
    assert "F1.JPG" in (found.frames[2].doubt or "")
    assert row.errors([0, 1, 2], found).max() < 5e-4  # what the pixels say is not bent by it


def test_the_word_stands_above_a_false_match(row: Shot) -> None:
    """Points that say something else than all features: the frame goes where the person says, in doubt."""
    turned = row.set_ties(1, 2, 4, scatter=0.0)
    moved = replace(turned, points=tuple((u, v - 100.0, x, y) for u, v, x, y in turned.points))
    found = row.align([0, 1, 2], AlignOptions(tie_points=(moved,)))
    assert found.used == (0, 1, 2)
    assert found.frames[1].doubt or found.frames[2].doubt


def test_ties_of_frames_left_out_have_no_say(row: Shot) -> None:
    ties = row.set_ties(1, 2, 4, scatter=0.3)
    found = row.align([0, 1, 2], AlignOptions(tie_points=(ties,), leave_out=(NAMES[2],)))
    assert found.used == (0, 1)


def test_a_point_is_measured_to_a_fraction_of_what_a_person_sets_it_to(row: Shot) -> None:
    ties = row.set_ties(1, 2, 8, scatter=0.0, margin=30.0)
    points = np.array(ties.points)
    off = np.random.default_rng(4).uniform(-1.2, 1.2, (len(points), 2))
    off[7] = 40.0  # nothing like it: stays as it was set
    said = SetTies(1, 2, np.hstack([points[:, :2], points[:, 2:] + off]))
    cameras = {i: row.told.frames[i].camera for i in (1, 2)}
    none = np.empty(0)
    sights = Sights((), none, none, none, by_hand=(said,))  # type: ignore[arg-type]
    ((pair, (found, sigma)),) = measure_by_hand(FramesInMemory(row.pixels), sights, cameras).items()
    assert pair == (1, 2)
    there, _ = cameras[2].project(cameras[1].rays(found[:, :2]))
    better = sigma < 1.0
    assert np.count_nonzero(better) >= 5
    miss = np.linalg.norm(found[better, 2:] - there[better], axis=1)
    assert np.median(miss) < 0.05
    assert (miss < 5.0 * sigma[better]).all()
    assert not better[7]
    assert found[7] == pytest.approx(said.points[7])


def turned(a: int, b: int, yaw_deg: float, matches: int, by_hand: int = 0) -> Link:
    """A link by so many agreeing matches."""
    none = np.zeros((matches, 2), dtype=np.int64)
    rotation = matrix_from_vector(np.array([0.0, -np.radians(yaw_deg), 0.0]))
    return Link(a, b, rotation, none, np.ones(matches, dtype=bool), 0.0, by_hand)


def test_a_joint_set_by_hand_holds_whatever_contradicts_it() -> None:
    chain = [turned(i, i + 1, 20.0, 200) for i in range(3)]
    by_hand = turned(0, 3, 50.0, 0, by_hand=2)  # the chain says 60
    _, kept, lost = consistent(4, [*chain, by_hand], tolerance=0.03)
    assert any(v is by_hand for v in kept)
    assert len(lost) == 1
    everything = [replace(v, by_hand=2) for v in (*chain, by_hand)]  # a person may contradict himself
    _, kept, lost = consistent(4, everything, tolerance=0.03)
    assert len(kept) == 4
    assert not lost


def test_neither_a_joint_set_by_hand_nor_a_kept_frame_is_to_blame() -> None:
    links = [turned(0, 1, 20.0, 100), turned(1, 2, 20.0, 9), turned(2, 3, 20.0, 50)]

    def blamed(pair: tuple[int, int], keep: tuple[int, ...] = (), by_hand: int = 0) -> tuple[int, int] | None:
        given = [links[0], replace(links[1], by_hand=by_hand), links[2]]
        found = _weakest_between([pair], range(4), given, keep)
        return None if found is None else (found.a, found.b)

    assert blamed((0, 3)) == (1, 2)
    assert blamed((0, 3), by_hand=2) == (2, 3)
    assert blamed((0, 3), keep=(1,)) == (2, 3)
    assert blamed((1, 2), by_hand=2) is None
    assert blamed((1, 2), keep=(2,)) is None


# Frames to keep


@pytest.fixture(scope="module")
def stranger(row: Shot) -> NDArray[np.uint8]:
    """Frame 4 with something else painted over all but a patch that it shares with frame 3."""
    other = Shot(columns=1, yaw_deg=150.0, seed=9).pixels[0].copy()
    rows, columns = slice(500, 610), slice(0, 120)
    other[rows, columns] = row.pixels[4][rows, columns]
    return other


WITH_STRANGER = (1, 2, 3, 4)


def test_a_frame_whose_pixels_contradict_its_place_is_dropped(row: Shot, stranger: NDArray[np.uint8]) -> None:
    found = row.align(WITH_STRANGER, AlignOptions(), instead={4: stranger})
    assert (2, 3) not in {(p.a, p.b) for p in found.pairs}
    assert not (found.frames[3].used and found.frames[3].placed_by == "tie-points")


def test_a_frame_to_keep_stays_with_a_doubt(row: Shot, stranger: NDArray[np.uint8]) -> None:
    found = row.align(WITH_STRANGER, AlignOptions(keep=(NAMES[4],)), instead={4: stranger})
    assert found.used == (0, 1, 2, 3)
    assert (2, 3) in {(p.a, p.b) for p in found.pairs}
    assert found.frames[3].placed_by == "tie-points"
    assert "shows something else than F3.JPG" in (found.frames[3].doubt or "")
    assert row.errors(WITH_STRANGER, found).max() < 5e-4


def test_a_frame_that_nothing_places_cannot_be_kept_and_the_remedy_is_named(row: Shot) -> None:
    found = row.align([0, 1, 4], AlignOptions(keep=(NAMES[4],)))
    if not found.frames[2].used:
        assert "set two or more tie points by hand" in (found.frames[2].reason or "")


# Level


def camera(yaw: float, tilt_deg: float) -> Camera:
    pose = pose_matrix(0.0, 0.0, np.radians(tilt_deg)) @ pose_matrix(np.radians(yaw), np.radians(3.0), 0.0)
    return Camera(1001, 1501, 1400.0, (500.0, 750.0), (0.0, 0.0, 0.0), quaternion_from_matrix(pose.T))


def plumb_in(c: Camera, down: NDArray[np.float64], u: float) -> tuple[float, float, float, float]:
    """Ends of the picture of a plumb line through (u, 750)."""
    ray = c.rays((u, 750.0))
    (a, b), _ = c.project(np.stack([ray - 0.3 * down, ray + 0.3 * down]))
    return (*a.tolist(), *b.tolist())


def test_plumb_lines_level_a_tilted_head() -> None:
    cameras = [camera(25.0 * k, 4.0) for k in range(4)]
    down = np.array([0.0, 1.0, 0.0])
    axis = estimate_pan_axis(cameras)
    assert np.degrees(np.arccos(axis.down @ down)) > 3.0
    lines = [(0, *plumb_in(cameras[0], down, 300.0)), (3, *plumb_in(cameras[3], down, 700.0))]
    found = level_by_hand([], lines, range(4), cameras, axis)
    assert found is not None
    assert np.degrees(np.arccos(found.down @ down)) < 1e-5
    assert 0.1 < np.degrees(found.sigma) < 0.5
    assert found.words == "from 2 plumb lines set by hand"


def test_one_plumb_line_takes_the_lean_it_shows_and_leaves_the_other_to_the_rest() -> None:
    cameras = [camera(25.0 * k, 4.0) for k in range(4)]
    down = np.array([0.0, 1.0, 0.0])
    axis = estimate_pan_axis(cameras)
    line = (1, *plumb_in(cameras[1], down, 500.0))
    found = level_by_hand([], [line], range(4), cameras, axis)
    assert found is not None
    ahead = cameras[1].rays((500.0, 750.0))
    side = np.cross(down, ahead) / np.linalg.norm(np.cross(down, ahead))
    whole = combine([replace(axis, covariance=axis.covariance + np.radians(2.0) ** 2 * np.eye(3)), found])
    assert abs(np.degrees(whole.down @ side)) < 1e-3  # across the line's plane: as it says
    left = abs(np.degrees((whole.down - axis.down) @ ahead))
    assert left < 0.2  # along it: as the axis says


def test_a_point_of_the_horizon_and_a_plumb_line_are_enough() -> None:
    cameras = [camera(25.0 * k, 4.0) for k in range(4)]
    down = np.array([0.0, 1.0, 0.0])
    line = (0, *plumb_in(cameras[0], down, 500.0))
    flat = cameras[0].rays((500.0, 750.0)) * np.array([1.0, 0.0, 1.0])
    (u, v), seen = cameras[0].project(flat)
    assert seen
    found = level_by_hand([(0, float(u), float(v))], [line], range(4), cameras, estimate_pan_axis(cameras))
    assert found is not None
    assert np.degrees(np.arccos(min(1.0, found.down @ down))) < 1e-4
    assert found.words == "from 1 point of the horizon and 1 plumb line set by hand"
