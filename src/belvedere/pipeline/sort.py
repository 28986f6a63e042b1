"""The door of sorting: from a card to `series.json` and its contact sheet. The card is only read."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from belvedere.capture.card import Card, read_card
from belvedere.compose.finished_file import finished_file, output_failed
from belvedere.errors import BelvedereError, NothingToMake, UnreadableFile
from belvedere.pipeline.copy_series import check_copies_folder
from belvedere.pipeline.heed_series import heed_series_word, unheeded
from belvedere.pipeline.known_card import known_by
from belvedere.pipeline.processors import one_thread_each, processors
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.schedule import Threads
from belvedere.pipeline.series_output import check_series_output, check_series_replaceable, sheet_path
from belvedere.pipeline.thumbnails import Thumbnails
from belvedere.survey.sorting.card_words import is_in_doubt
from belvedere.survey.sorting.contact_sheet import contact_sheet
from belvedere.survey.sorting.look import Depth, Look, glance_at, look_at
from belvedere.survey.sorting.series_file import series_bytes
from belvedere.survey.sorting.series_word import SeriesWord, read_series_word, series_word_path
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard

_MOST_WORKERS = 8  # a card is no faster for more readers
# Seconds a frame on the two processors they were measured on; only ratios matter, speed is measured.
_EXPECTED = {"card": 0.002, "looks": 0.06, "series": 0.02, "sheet": 0.001}


@dataclass(frozen=True, slots=True)
class SortOptions:
    """What is to be sorted, and where to.

    Parameters
    ----------
    card : Path
        A card, its DCIM folder, or a copy of either.
    out : Path
        The series.json; its contact sheet series.html and the photographer's series.word.json lie beside it.
    into : Path or None
        Folder into which the series will be copied; here only asked whether it can be.
    replace : bool
        A file of `out`'s name that is no sorting of this card may be replaced.
    workers : int or None
        Most threads; None: one a processor.
    """

    card: Path
    out: Path
    into: Path | None = None
    replace: bool = False
    workers: int | None = None


@dataclass(frozen=True, slots=True)
class Sorting:
    """What was found and written.

    Parameters
    ----------
    card : SortedCard
    out, sheet : Path
        The files written.
    root : Path
        Where the card is, absolute.
    doubts : tuple of str
        What is not sure, a sentence each: why the exit code is not 0.
    """

    card: SortedCard
    out: Path
    sheet: Path
    root: Path
    doubts: tuple[str, ...]


def sort(options: SortOptions, progress: Progress) -> Sorting:
    """Sort a card and write what was found.

    Parameters
    ----------
    options : SortOptions
    progress : Progress
        Told how far the run is.

    Raises
    ------
    UnreadableFile
        If there is no such card, it is pulled out meanwhile, or the photographer's word cannot be followed.
    NothingToMake
        If there is no picture on it that can be read.
    OutputFailed
        If what was found cannot be written.
    """
    root = Path(os.path.abspath(options.card))  # noqa: PTH100 - links are not followed
    _check_card(options.card)
    if options.into is not None:
        check_copies_folder(options.into, root)
        if options.out.parent == options.into:
            _make(options.into)
    check_series_output(options.out, root)
    word_file = series_word_path(options.out)
    document = read_series_word(word_file) if os.path.lexists(word_file) else None
    run = Threads(options.workers or min(_MOST_WORKERS, processors()))
    with one_thread_each(), Thumbnails() as thumbnails:
        progress.begin("card")
        card = read_card(root, run)
        progress.finish()
        _check_pictures(options.card, card)
        places = frozenset(shot.place for shot in card.shots)
        before = check_series_replaceable(options.out, word_file, root, places, options.replace)
        word = SeriesWord() if document is None else heed_series_word(document, word_file, card)
        progress.expect({stage: s * len(card.shots) for stage, s in _EXPECTED.items()})
        found = _sorted(card, word, run, thumbnails, progress)
        copies = before.copies if before is not None else None
        if options.into is not None:
            copies = os.path.abspath(options.into)  # noqa: PTH100
        found = msgspec.structs.replace(
            found,
            known_by=known_by(card),
            copies=copies,
            notices=(*found.notices, *unheeded(word, found)),
        )
        progress.begin("sheet")
        with finished_file(options.out) as stream:
            stream.write(series_bytes(found))
        sheet = sheet_path(options.out)
        with finished_file(sheet) as stream:
            for piece in contact_sheet(found, thumbnails.get, word_file=word_file.name):
                stream.write(piece.encode("utf-8", "surrogateescape"))
        progress.finish()
    return Sorting(found, options.out, sheet, root, tuple(_doubts(word, found)))


def _sorted(
    card: Card, word: SeriesWord, run: Threads, thumbnails: Thumbnails, progress: Progress
) -> SortedCard:
    """The card sorted; every frame looked at once leaves its small picture."""
    watched = _Watched(run, progress)

    def look(i: int, depth: Depth) -> Look | None:
        exposure, place = card.shots[i].exposure, card.shots[i].place
        try:
            glance = glance_at(exposure, depth)
        except UnreadableFile:
            if not exposure.file.exists():
                raise _pulled(card.root) from None
            raise
        if glance is None:
            return None
        thumbnails.add(place, glance.image)
        return look_at(glance, exposure.metadata, depth)

    found = sort_card(card, look, word, run=watched)
    watched.finish()
    if not card.root.is_dir():
        raise _pulled(card.root)
    return found


class _Watched:
    """A Mapper that tells how far sorting is: first every shot is looked at, then shots are compared."""

    def __init__(self, run: Threads, progress: Progress) -> None:
        self._run = run
        self._progress = progress
        self._stage = ""
        self._share = 0.0

    def __call__(self, function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        listed = list(jobs)
        stage = "looks" if not self._stage else "series"
        if stage != self._stage:
            self.finish()
            self._stage, self._share = stage, 0.0
            self._progress.begin(stage)
        start = self._share
        # How many calls will follow is not known: each takes half of what is left.
        part = 1.0 if stage == "looks" else 0.5 * (1.0 - start)
        self._share = start + part

        def results() -> Iterator[Any]:
            for done, result in enumerate(self._run(function, listed), start=1):
                self._progress.advance(start + part * done / len(listed))
                yield result

        return results()

    def finish(self) -> None:
        if self._stage:
            self._progress.finish()


def _doubts(word: SeriesWord, card: SortedCard) -> Iterator[str]:
    if card.unreadable:
        yield "files cannot be read"
    for series in card.series:
        if is_in_doubt(series):
            yield f"{series.name} is in doubt"
    yield from unheeded(word, card)


def _check_card(card: Path) -> None:
    if not card.is_dir():
        why = "is a file. Give the card, or a folder" if card.exists() else "is not there"
        raise UnreadableFile(card, why)


def _check_pictures(given: Path, card: Card) -> None:
    if card.shots:
        return
    because = "; ".join(f"{place}: {why}" for place, why in card.unreadable[:3])
    if len(card.unreadable) > 3:
        because += f"; and {len(card.unreadable) - 3} more"
    if because:
        raise NothingToMake(f"{given}: no picture that can be read. {because}")
    raise NothingToMake(f"{given}: there is no picture in this folder or the folders below it")


def _make(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise output_failed(folder, error) from error


def _pulled(root: Path) -> BelvedereError:
    return BelvedereError(
        f"{root}: files that were there are gone. If the card was pulled out, put it back and start again."
    )
