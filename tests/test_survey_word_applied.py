"""The photographer's word carried out on series of shots."""

from __future__ import annotations

from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.word_applied import Found, apply_word

PLACES = [f"{n:02d}.jpg" for n in range(12)]


def row(*shots: int, missing: tuple[tuple[int, int], ...] = ()) -> Found:
    return Found(tuple((s,) for s in shots), (tuple(range(len(shots))),), missing, 0.8, ("one row",))


def applied(found: list[Found], word: SeriesWord) -> list[list[list[int]]]:
    """Rows of every series, by shot."""
    out = apply_word(found, word, PLACES, [range(12)])
    return [[[f.poses[k][0] for k in own] for own in f.rows] for f in out]


def test_a_split_begins_with_the_frame_named() -> None:
    assert applied([row(1, 2, 3, 4)], SeriesWord(split_before=("03.jpg",))) == [[[1, 2]], [[3, 4]]]


def test_a_split_before_a_marker_splits_where_it_stands() -> None:
    assert applied([row(1, 2, 5, 6)], SeriesWord(split_before=("04.jpg",))) == [[[1, 2]], [[5, 6]]]


def test_a_split_elsewhere_changes_nothing() -> None:
    assert applied([row(5, 6, 7)], SeriesWord(split_before=("05.jpg",))) == [[[5, 6, 7]]]


def test_joined_series_keep_their_rows() -> None:
    word = SeriesWord(join=(("01.jpg", "06.jpg"),))
    assert applied([row(0, 1, 2), row(5, 6)], word) == [[[0, 1, 2], [5, 6]]]


def test_a_frame_taken_for_a_marker_comes_into_the_row_it_was_shot_in() -> None:
    assert applied([row(0, 1, 3, 4)], SeriesWord(not_marker=("02.jpg",))) == [[[0, 1, 2, 3, 4]]]
    assert applied([row(3, 4), row(7, 8)], SeriesWord(not_marker=("09.jpg",))) == [[[3, 4]], [[7, 8, 9]]]
    assert applied([row(3, 4)], SeriesWord(not_marker=("02.jpg",))) == [[[2, 3, 4]]]


def test_a_frame_put_back_into_a_row_shot_from_the_right_keeps_the_row_as_seen() -> None:
    shot_from_right = Found(((0,), (1,), (3,)), ((2, 1, 0),), (), 0.8, ())
    assert applied([shot_from_right], SeriesWord(not_marker=("02.jpg",))) == [[[3, 2, 1, 0]]]


def test_words_on_frames_that_are_not_there_change_nothing() -> None:
    word = SeriesWord(split_before=("99.jpg",), join=(("00.jpg", "98.jpg"),), not_marker=("97.jpg",))
    assert applied([row(0, 1)], word) == [[[0, 1]]]
