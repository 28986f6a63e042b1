"""Frames with nothing to tie them by: which place the order shot leaves them, where it looks, how surely."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.align.order_cells import cells_between, cells_of_whole_rows, cells_within
from belvedere.align.tied_grid import TiedRow, tied_grid
from belvedere.align.turn_grid import head_axes
from belvedere.align.turn_prediction import predict
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.place import Place
from belvedere.demo.spec import ShootingOrder
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import (
    matrix_from_vector,
    pose_matrix,
    quaternion_from_matrix,
    rotation_x,
    rotation_y,
)
from benchmarks.featureless import errors_px
from benchmarks.sets import Shot, shoot
from benchmarks.solved import align

SKY = Place(clouds=0.0, sea_width_deg=0.0, skyline_deg=4.0)


def shot(**changes: Any) -> Shot:
    """Two rows, the upper one rising from the skyline: its left end is plain sky."""
    given = {"rows": 2, "columns": 6, "tilt_deg": 4.0, "pitch_deg": 7.0, "place": SKY, "megapixels": 0.15}
    return shoot("plain-top-row", **(given | changes))


def row(number: int, first: int, columns: tuple[int, ...], way: int = 1, at: tuple[int, ...] = ()) -> TiedRow:
    """A row whose frames were shot one after the other from `first`, or `at` these numbers."""
    return TiedRow(number, at or tuple(range(first, first + len(columns))), columns, way)


def test_frames_between_two_of_a_row_have_their_place() -> None:
    cells = cells_between([row(0, 0, (0, 1, 4), at=(10, 11, 14))])
    assert cells == {12: (0, 2), 13: (0, 3)}
    assert cells_between([row(0, 0, (0, 1, 4), at=(10, 11, 13))]) == {}  # two places, one frame
    assert cells_between([row(0, 0, (4, 3, 1), way=-1, at=(10, 11, 13))]) == {12: (0, 2)}


@pytest.mark.parametrize("serpentine", [False, True])
def test_ends_of_rows_follow_from_the_length_of_all(serpentine: bool) -> None:
    back = -1 if serpentine else 1
    lower = (4, 3, 2, 1, 0) if serpentine else (0, 1, 2, 3, 4)
    rows = [row(0, 2, (2, 3, 4)), row(1, 5, lower, back)]
    (cells,) = cells_of_whole_rows(rows, 0, 9)
    assert cells == {0: (0, 0), 1: (0, 1)}
    assert cells_within(rows, 0, 9) == cells
    assert cells_within(rows, 1, 9) == {}  # one frame for two places


def test_a_whole_row_of_sky_goes_over_three_known_ones() -> None:
    rows = [row(k, 4 * (k + 1), (0, 1, 2, 3)[:: (-1) ** k], (-1) ** k) for k in range(3)]
    (cells,) = cells_of_whole_rows(rows, 0, 15)
    assert cells == {0: (-1, 3), 1: (-1, 2), 2: (-1, 1), 3: (-1, 0)}
    assert cells_of_whole_rows(rows, 1, 15) == []  # three frames are no whole row
    assert cells_of_whole_rows(rows[:2], 0, 11) == []  # two rows do not tell how even the rows are


def test_a_frame_too_many_leaves_no_plain_place() -> None:
    rows = [row(0, 3, (2, 3, 4)), row(1, 6, (0, 1, 2, 3, 4))]
    assert cells_of_whole_rows(rows, 0, 10) == []
    assert cells_within(rows, 0, 10) == {}


def cameras_of(cells: list[tuple[int, int]], step: float = 0.2) -> list[Camera]:
    out = []
    for r, c in cells:
        q = quaternion_from_matrix(pose_matrix(step * c, -0.25 * r, 0.0).T)
        out.append(Camera(600, 400, 900.0, (299.5, 199.5), (0.0, 0.0, 0.0), q))
    return out


def test_a_frame_never_shot_leaves_its_column_empty() -> None:
    cells = [(0, 0), (0, 1), (0, 3), (1, 3), (1, 2), (1, 1), (1, 0)]
    grid = tied_grid(range(7), cameras_of(cells), range(7))
    assert grid is not None
    assert [grid.place[i] for i in range(7)] == cells
    assert [r.way for r in grid.rows] == [1, -1]
    assert cells_between(grid.rows) == {}


def simulated(
    rng: np.random.Generator,
    rows: int,
    columns: int,
    plain: list[tuple[int, int]],
    *,
    adds_up: bool,
    scatter: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Errors over stated sigmas, and these in rad, of frames that a turn with a leaning head places."""
    lean = rotation_y(0.7) @ rotation_x(-math.radians(3.0)) @ rotation_y(-0.7)
    poses = {}
    for r in range(rows):
        walk = np.cumsum(rng.normal(0.0, scatter, columns)) if adds_up else rng.normal(0.0, scatter, columns)
        for c in range(columns):
            pitch, roll = rng.normal(0.0, scatter), rng.normal(0.0, scatter / 2.0)
            poses[r, c] = lean @ pose_matrix(0.23 * c + walk[c], 0.3 * r + pitch, roll)
    known = [k for k in poses if k not in plain]
    head = head_axes(lean @ np.array([0.0, 1.0, 0.0]), [poses[k].T for k in known])
    head = head @ matrix_from_vector(rng.normal(0.0, 0.002, 3))
    found = predict(
        np.stack([poses[k].T for k in known]), np.array(known), np.array(plain), head, 0.23 * 1.003
    )
    shares, sigmas = [], []
    for k, cell in enumerate(plain):
        ahead = poses[cell][:, 2]
        off = found.rotations[k].T[:, 2] - ahead
        c = found.covariance[k, :, k]
        sigma = math.sqrt((np.trace(c) - ahead @ c @ ahead) / 2.0)
        shares.append(float(np.linalg.norm(off)) / math.sqrt(2.0) / sigma)
        sigmas.append(sigma)
    return np.array(shares), np.array(sigmas)


@pytest.mark.parametrize("adds_up", [False, True])
@pytest.mark.parametrize("plain", [[(0, c) for c in range(8)], [(0, c) for c in range(4, 8)], [(1, 3)]])
def test_stated_sigma_of_a_predicted_place_is_honest(adds_up: bool, plain: list[tuple[int, int]]) -> None:
    rng = np.random.default_rng(3)
    both = [simulated(rng, 4, 8, plain, adds_up=adds_up, scatter=math.radians(0.25)) for _ in range(20)]
    shares = np.concatenate([s for s, _ in both])
    assert 0.5 < np.sqrt(np.mean(shares**2)) < 2.0
    assert np.mean(shares > 3.0) <= 0.01


def test_between_two_neighbours_a_place_is_surer_than_the_fourth_one_out() -> None:
    rng = np.random.default_rng(5)
    plain = [(0, 2), (0, 8), (0, 9), (0, 10), (0, 11)]
    _, sigmas = simulated(rng, 3, 12, plain, adds_up=True, scatter=math.radians(0.5))
    assert sigmas[0] < 0.8 * sigmas[-1]
    assert (np.diff(sigmas[1:]) > 0.0).all()


def test_a_head_that_repeats_exactly_is_sure_to_seconds_of_arc() -> None:
    _, sigmas = simulated(np.random.default_rng(6), 3, 6, [(0, 0), (0, 1)], adds_up=False, scatter=0.0)
    assert sigmas.max() < math.radians(30.0 / 3600.0)


@pytest.fixture(scope="module")
def uneven() -> tuple[Shot, Alignment]:
    one = shot()
    return one, align(one.source, one.frames)


def test_plain_sky_is_placed_in_the_block_and_says_how_surely(uneven: tuple[Shot, Alignment]) -> None:
    one, found = uneven
    placed = [i for i, p in enumerate(found.frames) if p.placed_by == "grid"]
    assert placed
    assert len(found.used) == len(one.frames)
    for told, place in zip(one.truth.frames, found.frames, strict=True):
        assert (place.row, place.column) == (told.row, told.column)
    errors = errors_px(one.truth, found)
    for i in placed:
        sigma = found.frames[i].placement_sigma_px
        assert sigma is not None
        assert errors[i] < 3.0 * sigma
        assert "steps of the turn" in (found.frames[i].doubt or "")


def test_a_head_that_repeats_exactly_places_it_without_a_doubt() -> None:
    one = shot(scatter_deg=0.0, order=ShootingOrder(serpentine=True))
    found = align(one.source, one.frames)
    placed = [i for i, p in enumerate(found.frames) if p.placed_by == "grid"]
    assert placed
    errors = errors_px(one.truth, found)
    assert max(errors[i] for i in placed) < 3.0


def test_a_lens_cap_in_place_of_the_sky_is_left_out(uneven: tuple[Shot, Alignment]) -> None:
    one, found = uneven
    i = next(i for i, p in enumerate(found.frames) if p.placed_by == "grid")
    pixels = [one.source.whole(k, 0) for k in range(len(one.frames))]
    pixels[i] = np.full_like(pixels[i], 6)
    other = align(FramesInMemory(pixels), one.frames)
    assert not other.frames[i].used
    assert other.frames[i].reason


def test_a_frame_of_something_else_is_left_out(uneven: tuple[Shot, Alignment]) -> None:
    one, found = uneven
    i = next(i for i, p in enumerate(found.frames) if p.placed_by == "grid")
    pixels = [one.source.whole(k, 0) for k in range(len(one.frames))]
    stranger = shoot("row", columns=1, pitch_deg=-8.0, yaw_deg=140.0, megapixels=0.3)
    pixels[i] = stranger.source.whole(0, 0)
    other = align(FramesInMemory(pixels), one.frames)
    assert not other.frames[i].used


def test_a_plain_frame_too_many_leaves_all_of_its_end_out(uneven: tuple[Shot, Alignment]) -> None:
    one, found = uneven
    assert found.frames[0].placed_by == "grid"
    pixels = [one.source.whole(k, 0) for k in range(len(one.frames))]
    first = one.frames[0]
    again = replace(first, exposures=(replace(first.exposures[0], file=first.file.with_name("another.jpg")),))
    other = align(FramesInMemory([pixels[0], *pixels]), (again, *one.frames))
    plain = [i + 1 for i, p in enumerate(found.frames) if p.placed_by == "grid" and i < 3]
    assert not any(other.frames[i].used for i in [0, *plain])
