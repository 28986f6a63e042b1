"""The photographer's word on a card, with its names looked up, and what of it had nothing to act on."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from belvedere.capture.card import Card
from belvedere.pipeline.frame_names import AmbiguousName, FrameNames
from belvedere.survey.sorting.series_file import files_of
from belvedere.survey.sorting.series_word import SeriesWord, WordDocument, heeded
from belvedere.survey.sorting.sorted_card import SortedCard


def heed_series_word(document: WordDocument, file: Path, card: Card) -> SeriesWord:
    """The word with paths under the card for names. A raw file stands for the picture it lies beside.

    Raises
    ------
    UnreadableFile
        If it names a file that is not on the card, or contradicts itself.
    """
    pictures = {shot.place: shot.place for shot in card.shots}
    for shot in card.shots:
        if shot.twin is not None and shot.twin.is_relative_to(card.root):
            pictures[shot.twin.relative_to(card.root).as_posix()] = shot.place
    names = FrameNames(tuple(pictures))
    unreadable = FrameNames([place for place, _ in card.unreadable])

    def find(name: str) -> str:
        try:
            path = names.find(name)
            bad = unreadable.find(name) if path is None else None
        except AmbiguousName as several:
            if len({pictures.get(path, path) for path in several.paths}) == 1:
                return pictures[several.paths[0]]
            raise LookupError(
                f"{len(several.paths)} files have this name: {', '.join(several.paths[:3])}"
            ) from None
        if bad is not None:
            raise LookupError("cannot be read, so there is nothing to say of it")
        if path is None:
            raise LookupError("no file on the card has this name")
        return pictures[path]

    return heeded(document, file, find)


def unheeded(word: SeriesWord, card: SortedCard) -> Iterator[str]:
    """What of a word changed nothing, a sentence each."""
    series_of = {file: k for k, series in enumerate(card.series) for file in files_of(series)}
    firsts = {series.frames[0] for series in card.series}
    markers = {entry.file for entry in card.markers}
    for file in word.split_before:
        if file not in firsts:
            yield f"your word split_before: {file} begins no series, so nothing was split there"
    for a, b in word.join:
        if series_of.get(a, -1) != series_of.get(b, -2):
            yield f"your word join: {a} and {b} are not both in series, so nothing was joined"
    for file in word.not_marker:
        if file in markers:
            yield f"your word not_marker: {file} is still taken for a marker"
    for file, name in word.names.items():
        if file not in series_of:
            yield f"your word names: {file} is in no series, so none is called “{name}”"
