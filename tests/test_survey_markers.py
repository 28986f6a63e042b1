"""Markers by what they hide, how they look and where they stand: on frames whose joints are invented."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from belvedere.survey.appearance.marker_look import MarkerLook
from belvedere.survey.sorting.markers import agreeing, between_series, by_habit, find_markers, hiding
from survey_sets import SCENE, Posed, facts, grid, joints

HAND = MarkerLook("near-object", 0.95, "strips side by side that spread like fingers")
VAGUE = MarkerLook("scene", 0.2, "nothing close to the lens stands out")
DARK = MarkerLook("dark", 0.99, "nothing in it is exposed")
ROW = [(0, c) for c in range(6)]


def markers(shots: Sequence[Posed]) -> set[int]:
    return set(find_markers(range(len(shots)), facts(shots), joints(shots)))


def with_hand(look: MarkerLook, *, last: bool = False, agreement: float = 0.5) -> list[Posed]:
    """A row, and a hand before the view of its first or its last frame."""
    row = grid(ROW, start_s=9.0)
    pose = row[-1] if last else row[0]
    hand = replace(pose, seconds=60.0 if last else 0.0, marker=look, agreement=agreement)
    return [*row, hand] if last else [hand, *row]


@pytest.mark.parametrize("look", [HAND, VAGUE], ids=["plain to see", "hardly seen"])
def test_what_hides_a_view_outside_the_run_is_a_marker(look: MarkerLook) -> None:
    assert markers(with_hand(look)) == {0}
    assert markers(with_hand(look, last=True)) == {6}


def test_where_looks_tell_nothing_the_frame_outside_the_run_is_the_marker() -> None:
    shots = [replace(s, agreement=0.5, marker=MarkerLook("scene", 0.3, "")) for s in with_hand(VAGUE)]
    assert markers(shots) == {0}


def test_a_view_shot_again_all_free_is_no_marker() -> None:
    shots = with_hand(SCENE, agreement=0.95)
    assert markers(shots) == set()
    assert {0, 1} <= agreeing(joints(shots))


def test_a_frame_that_continues_the_scene_is_no_marker_however_it_looks() -> None:
    shots = grid(ROW)
    shots[0], shots[3] = replace(shots[0], marker=HAND), replace(shots[3], marker=HAND)
    assert markers(shots) == set()


def test_the_frame_behind_a_hand_is_none_though_it_looks_like_one() -> None:
    shots = with_hand(HAND)
    shots[1] = replace(shots[1], marker=MarkerLook("near-object", 0.8, ""))
    assert markers(shots) == {0}


def test_two_hands_before_one_view_are_both_markers() -> None:
    hand = replace(grid(ROW)[0], marker=HAND, agreement=0.3)
    assert markers([hand, replace(hand, seconds=2.0), *grid(ROW, start_s=9.0)]) == {0, 1}


def test_what_overlaps_nothing_is_a_marker_by_its_looks_alone() -> None:
    for look, is_marker in (
        (HAND, True),
        (DARK, True),
        (VAGUE, False),
        (MarkerLook("blank", 0.2, ""), False),
    ):
        shots = [*grid(ROW), Posed(0.0, 0.0, 40.0, place=3, marker=look)]
        assert (6 in markers(shots)) is is_marker


def test_a_frame_of_a_plain_row_is_no_marker_for_a_doubtful_look() -> None:
    shots = [*grid(ROW), *(replace(s, plain=True) for s in grid(ROW, start_s=24.0))]
    shots[8] = replace(shots[8], marker=MarkerLook("near-object", 0.6, ""))
    assert markers(shots) == set()


def test_stepped_exposures_of_one_view_are_no_markers() -> None:
    shots = [
        replace(s, ev=ev, agreement=0.4, marker=VAGUE, seconds=(s.seconds or 0.0) + k)
        for s in grid(ROW)
        for k, ev in enumerate((0.0, -2.0, 2.0))
    ]
    poses = [tuple(range(k, k + 3)) for k in range(0, 18, 3)]
    assert find_markers(range(18), facts(shots), joints(shots), poses) == {}


def test_between_two_markers_only_what_surely_looks_like_one_is_another() -> None:
    for strength, is_marker in ((0.7, False), (0.95, True)):
        look = MarkerLook("near-object", strength, "")
        hands = [Posed(0.0, 0.0, 40.0 + k, place=k + 3, marker=HAND) for k in range(2)]
        shots = [*grid(ROW), hands[0], Posed(0.0, 0.0, 60.0, place=9, marker=look), hands[1]]
        shots += grid(ROW, start_s=90.0, place=1)
        assert (7 in markers(shots)) is is_marker
        assert {6, 8} <= markers(shots)
        assert 6 in markers([*shots[:6], *shots[7:8], *shots[9:]])  # at the end of a series


def ground(seconds: float, **more: object) -> Posed:
    own = Posed(0.0, -70.0, seconds, place=int(seconds) + 7, ground=True)
    return replace(own, **more)  # type: ignore[arg-type]


def odd(seconds: float, odds: float, **more: object) -> Posed:
    """A frame that overlaps nothing, of these log odds."""
    look = MarkerLook("near-object" if odds > 0.0 else "scene", 1.0 / (1.0 + math.exp(-odds)), "")
    return replace(Posed(0.0, 0.0, seconds, place=int(seconds) + 7, marker=look), **more)  # type: ignore[arg-type]


def habit(
    shots: Sequence[Posed],
    loose: Sequence[int],
    series: Sequence[Sequence[int]],
    known: Sequence[int] = (),
) -> set[int]:
    return set(by_habit(range(len(shots)), facts(shots), loose, known, series))


def test_frames_of_the_ground_at_the_ends_of_series_are_markers_by_habit() -> None:
    shots = [ground(0.0), *grid(ROW, start_s=9.0), ground(50.0)]
    assert habit(shots, [0, 7], [range(1, 7)]) == {0, 7}


def test_one_such_frame_is_no_habit() -> None:
    shots = [ground(0.0), *grid(ROW, start_s=9.0)]
    assert habit(shots, [0], [range(1, 7)]) == set()


def test_frames_that_look_like_scenes_prove_no_habit_however_many() -> None:
    shots = [odd(0.0, -0.5), *grid(ROW, start_s=9.0), odd(50.0, -0.5)]
    shots += [*grid(ROW, start_s=60.0, place=1), odd(90.0, -0.5)]
    assert habit(shots, [0, 7, 14], [range(1, 7), range(8, 14)]) == set()


def test_looks_and_habit_are_weighed() -> None:
    """One marker at two ends: the share is (1 + 1) / (2 + 1), four to one with the looks' own 1 in 3."""
    for odds, is_marker in ((-1.2, True), (-1.5, False), (-4.0, False)):
        shots = [odd(0.0, 3.0), *grid(ROW, start_s=9.0), odd(50.0, odds)]
        assert habit(shots, [7], [range(1, 7)], [0]) == ({7} if is_marker else set()), odds


def test_a_marker_at_few_ends_is_no_habit() -> None:
    """Three other ends have nothing: whoever does not mark them does not mark this one."""
    shots = [*grid(ROW), odd(30.0, 3.0), *grid(ROW, start_s=60.0, place=1), odd(90.0, -0.3)]
    shots += grid(ROW, start_s=120.0, place=2)
    own = [range(6), range(7, 13), range(14, 20)]
    assert habit(shots, [13], own, [6]) == set()
    assert habit([odd(-9.0, 3.0), *shots], [14], [[n + 1 for n in s] for s in own], [0, 7]) == {14}


def test_where_series_adjoin_one_marker_is_forgotten_not_two() -> None:
    shots = [odd(0.0, 3.0), *grid(ROW, start_s=9.0), *grid(ROW, start_s=60.0, place=1), odd(90.0, -0.3)]
    assert habit(shots, [13], [range(1, 7), range(7, 13)], [0]) == {13}


def test_what_hides_little_of_a_view_is_a_marker_where_others_have_one() -> None:
    row = grid(ROW, start_s=9.0)
    for agreement, is_marker in ((0.84, True), (0.89, False)):
        again = replace(odd(60.0, -1.7), yaw=row[-1].yaw, place=0, agreement=agreement)
        shots = [odd(0.0, 3.0), *row, again]
        hides = hiding(range(8), joints(shots))
        assert markers(shots) == {0}
        told = by_habit(range(8), facts(shots), [7], [0], [range(1, 7)], hides)
        assert set(told) == ({7} if is_marker else set())


def test_a_frame_between_two_parts_of_a_row_is_no_habit() -> None:
    shots = [*grid(ROW[:3]), ground(12.0), *grid(ROW[3:], start_s=16.0)]
    assert habit(shots, [3], [range(3), range(4, 7)]) == set()


def test_a_frame_held_or_exposed_otherwise_is_no_marker_by_habit() -> None:
    row = grid(ROW, start_s=9.0)
    for more in ({"held": "landscape"}, {"ev": 1.3}):
        shots = [ground(0.0, **more), *row, ground(50.0)]
        assert habit(shots, [0, 7], [range(1, 7)]) == set()


def test_a_frame_apart_from_the_series_is_no_marker_by_habit() -> None:
    shots = [ground(0.0), ground(3.0), *grid(ROW, start_s=9.0), ground(50.0)]
    assert habit(shots, [0, 1, 8], [range(2, 8)]) == {1, 8}


def lone(shots: Sequence[Posed], alone: Sequence[int], series: Sequence[Sequence[int]]) -> set[int]:
    return set(between_series(range(len(shots)), facts(shots), alone, series))


def test_a_single_frame_of_the_ground_between_two_series_is_probably_a_marker() -> None:
    shots = [*grid(ROW), ground(30.0, ground=True), *grid(ROW, start_s=40.0, yaw=180.0)]
    own = [range(6), range(7, 13)]
    assert lone(shots, [6], own) == {6}
    assert lone(shots, [6], [[*range(6), *range(7, 13)]]) == set()  # within one series
    assert lone(shots[:7], [6], own[:1]) == set()  # after the last
    for more in ({"ground": False}, {"plain": True}, {"ev": 1.3}, {"held": "landscape"}, {"kin": 3}):
        other = [*shots[:6], replace(shots[6], **more), *shots[7:]]  # type: ignore[arg-type]
        assert lone(other, [6], own) == set(), more


def test_of_two_frames_of_the_ground_between_two_series_neither_stands_alone() -> None:
    shots = [*grid(ROW), ground(30.0, ground=True), ground(34.0, ground=True), *grid(ROW, start_s=40.0)]
    assert lone(shots, [6, 7], [range(6), range(8, 14)]) == set()
