"""The regularity of the turn: simulated turns against their truth, and which places the order shot leaves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.rows import with_gaps
from belvedere.align.series_places import SeriesPlaces, place_block, places_by_order, shooting_order
from belvedere.align.turn_grid import Places, TurnGrid, fit_turn, head_axes
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import (
    matrix_from_vector,
    pose_matrix,
    quaternion_from_matrix,
    rotation_x,
    rotation_y,
    vector_from_matrix,
)

STEP = math.radians(18.3)


def turned(
    rng: np.random.Generator,
    counts: tuple[int, int, int],
    scatter_deg: tuple[float, float, float],
    adds_up: bool,
) -> tuple[NDArray[np.float64], Places, NDArray[np.float64], NDArray[np.float64]]:
    """A row with a gap about a leaning axis: rotations, places, the second part's true turn, all poses."""
    before, missing, after = counts
    n = before + missing + after
    s = np.radians(scatter_deg)
    error = rng.normal(0.0, s[0], n)
    yaw = STEP * np.arange(n) + (np.cumsum(error) if adds_up else error)
    lean = rotation_y(0.7) @ rotation_x(-math.radians(3.0)) @ rotation_y(-0.7)
    poses = np.stack(
        [lean @ pose_matrix(yaw[i], -0.03 + rng.normal(0, s[1]), rng.normal(0, s[2])) for i in range(n)]
    )
    column = np.r_[0:before, before + missing : n]
    part = (column >= before).astype(np.int64)
    own_world = matrix_from_vector(rng.normal(0.0, 1.0, 3))
    rotations = np.swapaxes(poses[column], 1, 2).copy()
    rotations[part == 1] = rotations[part == 1] @ own_world
    return rotations, Places(part, np.zeros(len(part), dtype=np.int64), column), own_world, poses


def fitted(rotations: NDArray[np.float64], places: Places) -> TurnGrid:
    return fit_turn(rotations, places, head_axes(np.array([0.0, 1.0, 0.0]), list(rotations)))


@pytest.mark.parametrize("adds_up", [False, True])
@pytest.mark.parametrize("scatter", [(0.25, 0.25, 0.125), (1.0, 0.05, 0.05), (0.002, 0.002, 0.002)])
def test_stated_sigma_of_a_joined_part_is_honest(scatter: tuple[float, float, float], adds_up: bool) -> None:
    """Truth by simulation: a head with stops, a head turned by eye, a head that repeats all but exactly."""
    rng = np.random.default_rng(11)
    shares = []
    for _ in range(40):
        rotations, places, own_world, _ = turned(rng, (4, 1, 3), scatter, adds_up)
        grid = fitted(rotations, places)
        error = vector_from_matrix(grid.turns[1] @ own_world.T)
        shares.append(float(error @ error / np.trace(grid.covariance[1, :, 1])))
    assert 0.5 < math.sqrt(np.mean(shares)) < 1.7
    assert np.mean(np.array(shares) > 9.0) <= 0.05
    assert math.sqrt(np.median(shares)) > 0.3  # not made safe by being far too wide


def test_a_missing_frame_is_predicted() -> None:
    rng = np.random.default_rng(3)
    rotations, places, _, poses = turned(rng, (5, 1, 4), (0.1, 0.1, 0.05), False)
    grid = fitted(rotations, places)
    error = vector_from_matrix(grid.pose(0, 5) @ poses[5].T)
    assert np.linalg.norm(error) < math.radians(0.5)
    assert grid.step == pytest.approx(STEP, abs=math.radians(0.15))
    assert 0.05 < math.degrees(grid.scatter[0]) < 0.3


def test_both_kinds_of_scatter_say_what_a_step_is_good_for() -> None:
    rng = np.random.default_rng(5)
    for adds_up, wanted in ((False, 0.25 * math.sqrt(2.0)), (True, 0.25)):
        found = [
            fitted(*turned(rng, (8, 1, 7), (0.25, 0.1, 0.1), adds_up)[:2]).step_scatter for _ in range(12)
        ]
        assert math.degrees(float(np.mean(found))) == pytest.approx(wanted, rel=0.35)


def test_the_files_own_counter_is_believed_where_it_counts() -> None:
    assert shooting_order(["A_0007.JPG", "A_0008.JPG", "A_0010.JPG", "A_0011.JPG", "A_0012.JPG"]) == [
        0,
        1,
        3,
        4,
        5,
    ]
    assert shooting_order(["A_7.jpg", "A_8.jpg", "stray.jpg", "A_9.jpg"]) == [0, 1, 2, 3]
    assert shooting_order(["A_9998.jpg", "A_9999.jpg", "A_0001.jpg", "A_0002.jpg"]) == [0, 1, 2, 3]
    assert shooting_order(["A_1.jpg", "A_5.jpg", "A_9.jpg", "A_14.jpg"]) == [0, 1, 2, 3]
    assert shooting_order(["A_1.jpg", "A_2.jpg", "B_5.jpg", "B_6.jpg"]) == [0, 1, 2, 3]


def rows_of(ways: tuple[int, ...], columns: int, wobble: float = 0.0) -> list[Camera]:
    """Cameras of rows shot one after the other, each to the right (+1) or to the left (-1)."""
    rng = np.random.default_rng(1)
    out = []
    for r, way in enumerate(ways):
        for c in range(columns)[::way]:
            pose = pose_matrix(STEP * c + rng.normal(0.0, wobble), 0.2 - 0.45 * r, 0.0)
            out.append(
                Camera(2000, 3000, 4200.0, (999.5, 1499.5), (0.0, 0.0, 0.0), quaternion_from_matrix(pose.T))
            )
    return out


@pytest.mark.parametrize("ways", [(1, 1), (1, -1), (-1, -1), (-1, 1)])
def test_rows_are_placed_whichever_way_they_were_shot(ways: tuple[int, int]) -> None:
    found = place_block(range(10), rows_of(ways, 5), range(10))
    assert found is not None
    assert [found.way[r] for r in (0, 1)] == list(ways)
    columns = np.array([found.place[i][1] for i in range(10)]).reshape(2, 5)
    assert (np.diff(columns, axis=1) == np.array(ways)[:, None]).all()
    assert sorted(columns[0]) == sorted(columns[1])


def test_steps_that_are_not_even_give_no_places() -> None:
    assert place_block(range(5), rows_of((1,), 5, wobble=0.0), range(5)) is not None
    assert place_block(range(5), rows_of((1,), 5, wobble=0.4 * STEP), range(5)) is None
    assert place_block(range(5), rows_of((1,), 5), [0, 1, 2, 4, 5]) is None  # a file more than steps


def known(rows: dict[int, dict[int, int]], way: dict[int, int]) -> SeriesPlaces:
    place = {i: (row, column) for row, own in rows.items() for i, column in own.items()}
    return SeriesPlaces(np.eye(3), place, way)


def test_the_order_shot_leaves_one_place() -> None:
    row = known({0: {0: 0, 1: 1, 2: 2, 3: 3}}, {0: 1})
    assert places_by_order(row, (5, 6), range(7)) == ({5: (0, 5), 6: (0, 6)}, 2)
    assert places_by_order(row, (5, 6), range(7), 1) == ({5: (0, 4), 6: (0, 5)}, 1)
    left = known({0: {4: 0, 5: -1, 6: -2}}, {0: -1})
    assert places_by_order(left, (1, 2), range(7)) == ({1: (0, 3), 2: (0, 2)}, 2)


def test_in_several_rows_only_a_place_within_them_counts() -> None:
    below = {k: k - 5 for k in range(5, 10)}
    rows = known({0: {0: 0, 1: 1}, 1: below}, {0: 1, 1: 1})
    assert places_by_order(rows, (3, 4), range(10)) == ({3: (0, 3), 4: (0, 4)}, 2)
    whole = known({0: {k: k for k in range(5)}, 1: {k: k - 5 for k in range(5, 10)}}, {0: 1, 1: 1})
    assert places_by_order(whole, (11, 12), range(13)) is None  # beyond the end of a row: another row
    serpentine = known({0: {0: 0, 1: 1, 2: 2}, 1: {6: 2, 7: 1, 8: 0}}, {0: 1, 1: -1})
    assert places_by_order(serpentine, (4, 5), range(9)) is None


def test_a_gap_leaves_its_columns_empty() -> None:
    places = [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2)]
    assert with_gaps(places, [(1, 2, 2)]) == [(0, 0), (0, 1), (0, 4), (1, 0), (1, 1), (1, 2)]
    assert with_gaps(places, [(2, 0, 1)]) == places
