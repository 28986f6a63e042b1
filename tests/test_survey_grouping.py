"""Which poses make a series, in which rows: on sets whose joints are invented."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
import pytest

from belvedere.survey.sorting.group import Grouped, group_stretch, stretches
from belvedere.survey.sorting.rows import find_rows
from belvedere.survey.sorting.series import stands_for_a_frame
from survey_sets import HIGH, STEP, WIDE, Posed, facts, grid, joints, rotation

ROW = [(0, c) for c in range(6)]


def grouped(shots: Sequence[Posed], markers: Collection[int] = ()) -> Grouped:
    return group_stretch(range(len(shots)), facts(shots), joints(shots), markers, WIDE)


def series(shots: Sequence[Posed], markers: Collection[int] = ()) -> list[list[int]]:
    """Shots of every series, first exposures."""
    found = grouped(shots, markers)
    return [[found.poses[p][0] for p in draft.poses] for draft in found.drafts]


def rows_of(shots: Sequence[Posed], markers: Collection[int] = ()) -> tuple[list[list[int]], list]:  # type: ignore[type-arg]
    """Rows of the only series, by shot, and the missing places."""
    found = grouped(shots, markers)
    (draft,) = found.drafts
    found_grid = find_rows(draft.rotations, np.tile([WIDE, HIGH], (len(draft.poses), 1)))
    rows = [[found.poses[draft.poses[k]][0] for k in row] for row in found_grid.rows]
    return rows, list(found_grid.missing)


ORDERS = {
    "from the top, each from the left": [(r, c) for r in range(3) for c in range(4)],
    "from the bottom, each from the right": [(r, c) for r in (2, 1, 0) for c in (3, 2, 1, 0)],
    "to and fro": [(r, c if r % 2 == 0 else 3 - c) for r in range(3) for c in range(4)],
    "column by column": [(r, c) for c in range(4) for r in range(3)],
    "in any order": [
        (1, 2),
        (0, 0),
        (2, 3),
        (1, 1),
        (0, 1),
        (2, 0),
        (1, 0),
        (2, 2),
        (0, 3),
        (1, 3),
        (2, 1),
        (0, 2),
    ],
}


@pytest.mark.parametrize("order", ORDERS)
def test_rows_are_told_as_seen_whatever_the_order_shot(order: str) -> None:
    cells = ORDERS[order]
    rows, missing = rows_of(grid(cells))
    assert [[cells[k] for k in row] for row in rows] == [[(r, c) for c in range(4)] for r in range(3)]
    assert missing == []


def test_rows_with_markers_between_are_one_series() -> None:
    first, second = grid(ROW), grid([(1, c) for c in range(6)], start_s=60)
    hand = Posed(0.0, 0.0, 40.0, place=9)
    shots = [*first, hand, *second]
    assert series(shots, {6}) == [[*range(6), *range(7, 13)]]
    assert rows_of(shots, {6})[0] == [list(range(6)), list(range(7, 13))]


@pytest.mark.parametrize("gap", [(0, 2), (1, 0), (2, 3)])
def test_a_place_left_free_in_a_grid_is_missing(gap: tuple[int, int]) -> None:
    cells = [(r, c) for r in range(3) for c in range(4) if (r, c) != gap]
    assert rows_of(grid(cells))[1] == [gap]


def test_a_row_with_a_gap_is_one_series_and_the_gap_is_missing() -> None:
    cells = [(0, c) for c in range(9) if c != 4]
    rows, missing = rows_of(grid(cells))
    assert rows == [list(range(8))]
    assert missing == [(0, 4)]


def test_parts_without_overlap_after_a_longer_pause_are_two_series() -> None:
    shots = [*grid(ROW), *grid(ROW, start_s=20.0 + 12.0, yaw=180.0)]
    assert series(shots) == [list(range(6)), list(range(6, 12))]


def test_the_same_view_shot_twice_is_no_row() -> None:
    for off in (0.0, 0.05):
        shots = [Posed(0.0), Posed(off, seconds=2.0)]
        assert series(shots) == []
        assert len(grouped(shots).repeats) == 1


def test_poses_of_one_direction_have_no_columns() -> None:
    same = np.stack([rotation(Posed(3.0))] * 3)
    assert find_rows(same, np.tile([WIDE, HIGH], (3, 1))).missing == ()


def test_a_pause_does_not_split_what_goes_on_by_overlap() -> None:
    shots = grid(ROW)
    late = [replace(s, seconds=(s.seconds or 0.0) + 1500.0) for s in shots[3:]]
    assert series([*shots[:3], *late]) == [list(range(6))]


def test_the_same_view_on_another_day_is_another_series() -> None:
    shots = [*grid(ROW[:4]), *grid(ROW[3:], start_s=86400.0, yaw=STEP * 0.5)]
    assert len(series(shots)) == 2


@pytest.mark.parametrize("back", [False, True])
def test_a_row_taken_twice_is_two_series(back: bool) -> None:
    again = grid(list(reversed(ROW)) if back else ROW, start_s=24.0, yaw=1.5)
    assert series([*grid(ROW), *again]) == [list(range(6)), list(range(6, 12))]


def again(cells: Sequence[tuple[int, int]], marker_s: float, **more: object) -> list[Posed]:
    """A marker, and after it another series of the same place."""
    shots = grid(cells, start_s=marker_s + 8.0)
    return [Posed(0.0, 0.0, marker_s, place=9), *(replace(s, yaw=s.yaw + STEP / 2, **more) for s in shots)]  # type: ignore[arg-type]


@pytest.mark.parametrize("back", [False, True])
def test_a_row_over_the_directions_of_one_before_a_marker_is_a_series_of_its_own(back: bool) -> None:
    shots = [*grid(ROW), *again(list(reversed(ROW)) if back else ROW, 30.0)]
    assert series(shots, {6}) == [list(range(6)), list(range(7, 13))]
    assert "after a marker" in grouped(shots, {6}).drafts[1].reasons[0]
    assert len(series([s for k, s in enumerate(shots) if k != 6])) == 1  # no marker: a denser row, perhaps


def test_rows_taken_again_stay_together_with_markers_between_all_rows() -> None:
    one, other = [(0, c) for c in range(5)], [(1, c) for c in range(5)]
    first = [*grid(one), Posed(0.0, 0.0, 25.0, place=8), *grid(other, start_s=30.0)]
    shots = [*first, *again(one, 55.0), *again(other, 90.0)]
    assert series(shots, {5, 11, 17}) == [[*range(5), *range(6, 11)], [*range(12, 17), *range(18, 23)]]


@pytest.mark.parametrize("more", [{"pitch": -14.0}, {}], ids=["another height", "half of it"])
def test_rows_after_a_marker_that_go_on_are_the_same_series(more: dict[str, object]) -> None:
    cells = ROW if more else ROW[3:]
    assert len(series([*grid(ROW), *again(cells, 30.0, **more)], {6})) == 1


def test_one_pose_shot_again_with_another_exposure_is_set_apart() -> None:
    shots = grid(ROW)
    shots.insert(4, replace(shots[3], seconds=13.0, ev=-1.0))
    found = grouped(shots)
    assert series(shots) == [[0, 1, 2, 3, 5, 6]]
    assert found.repeats == ((4, 3),)


def test_a_trial_before_the_series_is_set_apart_and_not_the_frame_it_shows() -> None:
    shots = grid(ROW, start_s=30.0)
    shots.insert(0, replace(shots[2], seconds=0.0, ev=1.3))
    assert series(shots) == [list(range(1, 7))]


STEPS = (0.0, -2.0, 2.0)


def bracketed(cells: Sequence[tuple[int, int]]) -> list[Posed]:
    return [
        replace(s, ev=ev, seconds=(s.seconds or 0.0) + 0.5 * k)
        for s in grid(cells, every_s=6.0)
        for k, ev in enumerate(STEPS)
    ]


def test_stepped_exposures_of_every_pose_are_brackets() -> None:
    shots = bracketed(ROW)
    found = grouped(shots)
    assert found.poses == tuple((k, k + 1, k + 2) for k in range(0, 18, 3))
    assert series(shots) == [list(range(0, 18, 3))]
    assert found.loose == ()


def test_a_frame_before_brackets_does_not_shift_them() -> None:
    shots = [replace(bracketed(ROW)[0], seconds=-9.0, yaw=-60.0), *bracketed(ROW)]
    assert grouped(shots).poses[1:] == tuple((k, k + 1, k + 2) for k in range(1, 19, 3))


def test_exposures_that_change_from_pose_to_pose_are_no_brackets() -> None:
    shots = [replace(s, ev=STEPS[k % 3]) for k, s in enumerate(grid(ROW))]
    assert all(len(pose) == 1 for pose in grouped(shots).poses)
    assert series(shots) == [list(range(6))]


def test_a_plain_frame_between_others_keeps_its_place() -> None:
    shots = grid([(r, c) for r in range(2) for c in range(5)])
    shots[2] = replace(shots[2], plain=True)
    rows, missing = rows_of(shots)
    assert rows == [list(range(5)), list(range(5, 10))]
    assert missing == []


@pytest.mark.parametrize("count", [1, 2])
def test_plain_frames_between_parts_of_a_row_hold_it_together(count: int) -> None:
    shots = grid([(0, c) for c in range(8)])
    shots = [replace(s, plain=3 <= k < 3 + count) for k, s in enumerate(shots)]
    rows, missing = rows_of(shots)
    assert rows == [list(range(8))]
    assert missing == []


def parted(at: int, *, way: int = 1, count: int = 8, **more: object) -> list[Posed]:
    """A row in which one frame shows another place; what `more` says is so of the frames after it."""
    shots = [replace(s, yaw=s.yaw * way) for s in grid([(0, c) for c in range(count)])]
    shots[at] = replace(shots[at], place=5)
    return [*shots[: at + 1], *(replace(s, **more) for s in shots[at + 1 :])]  # type: ignore[arg-type]


@pytest.mark.parametrize("at", [2, 3, 5])
@pytest.mark.parametrize("way", [1, -1])
def test_a_frame_of_something_else_in_a_row_leaves_its_place_missing(at: int, way: int) -> None:
    shots = parted(at, way=way)
    rows, missing = rows_of(shots)
    found = grouped(shots)
    assert rows == [[k for k in range(8) if k != at][::way]]
    assert missing == [(0, at if way == 1 else 7 - at)]
    assert found.loose == (at,)
    assert found.drafts[0].placed.count("sequence") == 7 - at
    assert "something else" in found.drafts[0].reasons[0]


def test_a_frame_between_rows_stands_for_none_and_one_within_a_row_does() -> None:
    (within,) = grouped(parted(3)).drafts
    assert stands_for_a_frame(within, 3)
    for second in ([(1, c) for c in range(6)], [(1, 5 - c) for c in range(6)]):
        shots = [*grid(ROW), Posed(0.0, -70.0, 24.0, place=9), *grid(second, start_s=30.0)]
        (rows,) = grouped(shots).drafts
        assert not stands_for_a_frame(rows, 6)


def test_a_frame_of_something_else_in_a_tilted_row_leaves_its_place_missing() -> None:
    shots = [replace(s, pitch=-20.0) for s in parted(3)]
    assert series(shots) == [[0, 1, 2, 4, 5, 6, 7]]


def turned_back(shots: Sequence[Posed], at: int) -> list[Posed]:
    """The frames after one shot the other way round, somewhere else."""
    return [*shots[: at + 1], *(replace(s, yaw=300.0 - s.yaw) for s in shots[at + 1 :])]


@pytest.mark.parametrize(
    "shots",
    [
        turned_back(parted(3), 3),
        [replace(s, pitch=9.0 if k > 3 else 0.0) for k, s in enumerate(parted(3))],
        [replace(s, yaw=s.yaw + 3.0 * max(k - 3, 0)) for k, s in enumerate(parted(3))],
        [replace(s, seconds=(s.seconds or 0.0) + 6.0 * (k > 3)) for k, s in enumerate(parted(3))],
        [replace(s, seconds=None) for s in parted(3)],
        [replace(s, ev=1.0 * (k > 3)) for k, s in enumerate(parted(3))],
        parted(2, count=5),
    ],
    ids=["the other way round", "higher", "in other steps", "later", "no clock", "other light", "too few"],
)
def test_parts_that_are_not_plainly_one_row_stay_two(shots: list[Posed]) -> None:
    assert len(series(shots)) == 2


def test_a_marker_between_parts_of_like_turns_keeps_them_apart() -> None:
    assert series(parted(3), {3}) == [[0, 1, 2], [4, 5, 6, 7]]


def test_a_frame_full_of_detail_that_matches_nothing_is_not_taken_for_a_frame_left_free() -> None:
    shots = grid([(r, c) for r in range(2) for c in range(5)])
    shots[2] = replace(shots[2], place=9)
    assert rows_of(shots) == ([[0, 1, 3, 4], list(range(5, 10))], [(0, 2)])
    assert grouped(shots).loose == (2,)


def test_a_plain_frame_where_no_place_is_free_is_left_over() -> None:
    shots = grid(ROW)
    shots.insert(3, Posed(0.0, 80.0, 10.0, plain=True))
    found = grouped(shots)
    assert series(shots) == [[0, 1, 2, 4, 5, 6]]
    assert found.loose == (3,)


@pytest.mark.parametrize("back", [False, True])
def test_a_row_of_plain_sky_is_put_on_top_by_its_rhythm(back: bool) -> None:
    top = [(0, 4 - c if back else c) for c in range(5)]
    cells = [*((1, c) for c in range(5)), *top]
    shots = [replace(s, plain=k >= 5) for k, s in enumerate(grid(cells))]
    rows, _ = rows_of(shots)
    # nothing tells which way one row of sky was shot: it is taken to run like the row next to it
    assert rows == [list(range(5, 10)), list(range(5))]


@pytest.mark.parametrize("first", [False, True])
def test_a_row_of_sky_comes_on_top_whenever_it_was_shot(first: bool) -> None:
    ground = [(1, c) for c in range(5)] + [(2, c) for c in range(5)]
    cells = [*[(0, c) for c in range(5)], *ground] if first else [*ground, *[(0, c) for c in range(5)]]
    shots = [replace(s, plain=cells[k][0] == 0) for k, s in enumerate(grid(cells))]
    rows, missing = rows_of(shots)
    assert [[cells[k] for k in row] for row in rows] == [[(r, c) for c in range(5)] for r in range(3)]
    assert missing == []


def test_a_row_of_water_that_matches_nothing_comes_below() -> None:
    cells = [(0, c) for c in range(5)] + [(1, 4 - c) for c in range(5)] + [(2, c) for c in range(5)]
    shots = [replace(s, place=100 + k if k >= 10 else 0) for k, s in enumerate(grid(cells))]
    rows, _ = rows_of(shots)
    assert [[cells[k] for k in row] for row in rows] == [[(r, c) for c in range(5)] for r in range(3)]


@pytest.mark.parametrize(
    "sky", [{"ev": 1.0}, {"held": "landscape"}], ids=["another exposure", "held the other way"]
)
def test_plain_frames_that_differ_are_left_over(sky: dict[str, object]) -> None:
    shots = [*grid([(1, c) for c in range(5)]), *grid([(0, c) for c in range(5)], start_s=20.0)]
    shots = [replace(s, plain=k >= 5, **(sky if k >= 5 else {})) for k, s in enumerate(shots)]  # type: ignore[arg-type]
    assert series(shots) == [list(range(5))]


def test_frames_held_the_other_way_are_another_series() -> None:
    lying = [replace(s, held="landscape", pitch=5.0) for s in grid(ROW, start_s=40.0, yaw=9.0)]
    assert series([*grid(ROW), *lying]) == [list(range(6)), list(range(6, 12))]


def test_a_set_of_frames_held_both_ways_in_turn_is_one_series() -> None:
    shots = [replace(s, held="landscape" if k % 3 == 0 else "portrait") for k, s in enumerate(grid(ROW))]
    assert series(shots) == [list(range(6))]


def test_a_stretch_outlives_single_frames_of_another_lens_but_no_series() -> None:
    kinds = [0, 0, 0, 1, 0, 0, 2, 2, 2, 0, 0]
    known = facts([replace(s, kin=k) for s, k in zip(grid([(0, c) for c in range(11)]), kinds, strict=True)])
    assert stretches(range(11), known) == [(0, 1, 2, 4, 5), (3,), (6, 7, 8), (9, 10)]


@pytest.mark.parametrize("pitches", [range(-30, 61, 30), range(-40, 141, 20), range(-60, 161, 20)])
def test_a_column_is_one_frame_a_row_even_over_the_zenith(pitches: range) -> None:
    sweep = np.stack([rotation(Posed(7.0, p)) for p in pitches])
    found = find_rows(sweep, np.tile([HIGH, WIDE], (len(sweep), 1)))
    assert found.rows == tuple((k,) for k in reversed(range(len(sweep))))


@pytest.mark.parametrize("off", [(0, 4, 0, 2, 18, 22), (0, 0, 3.6, 0.6, 0.6, 13.6)])
def test_rows_of_uneven_turns_claim_nothing_missing(off: tuple[float, ...]) -> None:
    shots = [replace(s, yaw=s.yaw + d) for s, d in zip(grid(ROW), off, strict=True)]
    found = find_rows(np.stack([rotation(s) for s in shots]), np.tile([WIDE, HIGH], (6, 1)))
    assert found.rows == (tuple(range(6)),)
    assert found.missing == ()


@pytest.mark.parametrize("left", [False, True])
def test_a_whole_turn_is_cut_where_it_was_begun(left: bool) -> None:
    cells = [(r, 19 - c if left else c) for r in range(2) for c in range(20)]
    for yaw in (0.0, 100.0, 171.0):
        turned = np.stack([rotation(s) for s in grid(cells, yaw=yaw)])
        found = find_rows(turned, np.tile([WIDE, HIGH], (40, 1)))
        assert [[cells[k] for k in row] for row in found.rows] == [
            [(r, c) for c in range(20)] for r in range(2)
        ]
        assert found.missing == ()


def test_a_place_missing_in_a_whole_turn_is_told() -> None:
    cells = [(r, c) for r in range(2) for c in range(20) if (r, c) != (1, 7)]
    turned = np.stack([rotation(s) for s in grid(cells)])
    assert find_rows(turned, np.tile([WIDE, HIGH], (39, 1))).missing == ((1, 7),)


@pytest.mark.parametrize("gone", [1, 7, 12, 18])
@pytest.mark.parametrize("left", [False, True])
def test_a_place_missing_in_the_only_row_of_a_whole_turn_is_told(gone: int, left: bool) -> None:
    cells = [(0, 19 - c if left else c) for c in range(20)]
    absent = cells.pop(gone)
    for yaw in (0.0, 100.0, 171.0):
        turned = np.stack([rotation(s) for s in grid(cells, yaw=yaw)])
        found = find_rows(turned, np.tile([WIDE, HIGH], (19, 1)))
        assert [cells[k] for k in found.rows[0]] == sorted(cells)
        assert found.missing == (absent,)


@pytest.mark.parametrize("left", [False, True])
def test_the_last_place_of_a_whole_turn_is_missing_where_just_one_frame_finds_room(left: bool) -> None:
    for count, missing in ((20, ()), (19, ((0, 0 if left else 19),)), (18, ()), (15, ())):
        cells = [(0, 19 - c if left else c) for c in range(count)]
        turned = np.stack([rotation(s) for s in grid(cells)])
        assert find_rows(turned, np.tile([WIDE, HIGH], (count, 1))).missing == missing


def test_a_row_in_steps_that_leave_room_for_more_or_less_than_a_frame_lacks_none() -> None:
    for step in (17.0, 18.6):  # 19 frames: 54 and 25 degrees are left
        turned = np.stack([rotation(Posed(step * k)) for k in range(19)])
        assert find_rows(turned, np.tile([WIDE, HIGH], (19, 1))).missing == ()


@pytest.mark.parametrize("left", [False, True])
def test_a_wide_gap_in_a_row_that_goes_nearly_all_around_is_no_end_of_it(left: bool) -> None:
    cells = [(0, 18 - c if left else c) for c in range(19) if c != 7]  # 342 degrees less one frame
    for yaw in (0.0, 100.0, 171.0):
        turned = np.stack([rotation(s) for s in grid(cells, yaw=yaw)])
        found = find_rows(turned, np.tile([WIDE, HIGH], (18, 1)))
        assert [cells[k] for k in found.rows[0]] == sorted(cells)
        assert found.missing == ((0, 11 if left else 7),)


def test_rows_with_ragged_ends_keep_their_columns() -> None:
    cells = [(0, c) for c in range(2, 8)] + [(1, c) for c in range(7)] + [(2, c) for c in range(1, 9)]
    turned = np.stack([rotation(s) for s in grid(cells)])
    found = find_rows(turned, np.tile([WIDE, HIGH], (len(cells), 1)))
    assert [[cells[k][1] for k in row] for row in found.rows] == [
        list(range(2, 8)), list(range(7)), list(range(1, 9))
    ]  # fmt: skip
    assert found.missing == ((0, 0), (0, 1), (0, 8), (1, 7), (1, 8), (2, 0))
