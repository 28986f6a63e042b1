"""Simulated cards sorted: every series, row, missing place, bracket, marker and stray as it was shot."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from belvedere.capture.card import Card, read_card
from belvedere.demo.card_truth import CardTruth
from belvedere.demo.cards import write_card
from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.look import Depth, Look
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard
from card_scores import differences
from survey_sets import looks_of

Looks = Callable[[int, Depth], Look | None]
Shelf = Callable[[str], tuple[CardTruth, Card, Looks]]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """Cards by name, each shot once."""
    shot: dict[str, tuple[CardTruth, Card, Looks]] = {}

    def card(name: str) -> tuple[CardTruth, Card, Looks]:
        if name not in shot:
            root = tmp_path_factory.mktemp(name)
            truth = write_card(name, root, megapixels=0.25)
            read = read_card(root)
            shot[name] = truth, read, looks_of(read)
        return shot[name]

    return card


def places(found: SortedCard) -> list[str]:
    apart = [entry.file for entry in (*found.markers, *found.strays, *found.unreadable)]
    own = [
        f for s in found.series for f in (s.frames if not s.brackets else [f for b in s.brackets for f in b])
    ]
    return sorted([*apart, *own])


@pytest.mark.parametrize("name", ["gaps", "plain-sky", "no-series"])
def test_a_card_is_sorted_as_it_was_shot(shelf: Shelf, name: str) -> None:
    truth, card, see = shelf(name)
    found = sort_card(card, see)
    assert differences(truth, found) == []
    assert places(found) == sorted(shot.place for shot in card.shots)
    for entry in (*found.markers, *found.strays, *found.series):
        assert entry.why


def test_what_was_placed_without_overlap_is_less_sure(shelf: Shelf) -> None:
    (sky,) = sort_card(*shelf("plain-sky")[1:]).series
    (gaps,) = sort_card(*shelf("gaps")[1:]).series
    assert sky.confidence < gaps.confidence


def test_the_word_of_the_photographer_stands(shelf: Shelf) -> None:
    _, card, see = shelf("gaps")
    plain = sort_card(card, see)
    frames, hand = plain.series[0].frames, plain.markers[0].file
    word = SeriesWord(
        split_before=(frames[4],),
        marker=(frames[-1],),
        not_marker=(hand,),
        leave_out=(frames[0],),
        names={frames[5]: "harbour"},
    )
    found = sort_card(card, see, word)
    assert [s.file for s in found.strays] == [frames[0]]
    assert frames[-1] in [m.file for m in found.markers]
    assert hand not in [m.file for m in found.markers]
    assert hand in found.series[0].frames
    assert found.series[1].name == "harbour"
    assert found.series[1].frames[0] == frames[4]
    assert places(found) == sorted(shot.place for shot in card.shots)


def test_a_shot_that_cannot_be_read_is_named_and_the_others_are_sorted(shelf: Shelf) -> None:
    truth, card, see = shelf("gaps")
    lost = truth.series[0].frames[2]

    def look(i: int, depth: Depth) -> Look | None:
        if card.shots[i].place == lost:
            raise UnreadableFile(card.shots[i].exposure.file, "is cut short")
        return see(i, depth)

    found = sort_card(card, look)
    assert [(u.file, u.why) for u in found.unreadable] == [(lost, "is cut short")]
    assert len(found.series) == 1
    assert len(found.series[0].frames) == len(truth.series[0].frames) - 1


def test_a_frame_with_a_large_preview_is_not_decoded(shelf: Shelf) -> None:
    _, card, see = shelf("no-series")
    asked = []

    def look(i: int, depth: Depth) -> Look | None:
        asked.append(depth)
        found = see(i, "reduced")
        assert found is not None
        return replace(found, enough=True)

    sort_card(card, look)
    assert "reduced" not in asked
    assert asked.count("embedded") == len(card.shots)


def test_a_card_without_shots_is_no_trouble() -> None:
    found = sort_card(Card(Path("nowhere"), ()), lambda i, depth: None)
    assert found.series == ()
    assert found.card == "nowhere"


def test_what_is_kept_of_a_frame_is_small(shelf: Shelf) -> None:
    _, _card, see = shelf("gaps")
    look = see(3, "reduced")
    assert look is not None
    assert look.points.nbytes + look.codes.nbytes <= 320 * (128 + 8)
