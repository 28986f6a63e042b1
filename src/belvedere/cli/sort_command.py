"""`belvedere sort`: arguments to options, what was found to words."""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

from belvedere.errors import BelvedereError, NothingToMake
from belvedere.pipeline.copies_words import copies_in_words, raise_if_nothing_copied
from belvedere.pipeline.copy_series import copy_series
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.sort import Sorting, SortOptions, sort
from belvedere.survey.sorting.table import series_table

_WIDTH = 110  # columns where the output is no terminal


def sort_command(given: argparse.Namespace) -> int:
    """Sort a card, and copy its series if asked to; returns the exit code."""
    options = options_from(given)
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    try:
        sorting = sort(options, line)
        line.close()
        if not given.quiet:
            width = shutil.get_terminal_size((_WIDTH, 24)).columns
            print(series_table(sorting.card, width=width))
            print(f"\nWritten: {sorting.out} and {sorting.sheet}, its contact sheet", flush=True)
        _check_series(sorting, given.card)
        done = options.into is None or _copied(sorting, options.into, line, quiet=given.quiet)
    finally:
        line.close()
    return 0 if done and not sorting.doubts else 3


def options_from(given: argparse.Namespace) -> SortOptions:
    """The options a command line asks for.

    Raises
    ------
    BelvedereError
        If a value is none that can be used; names the option.
    """
    if given.workers is not None and given.workers < 1:
        raise BelvedereError(f"--workers {given.workers}: needs at least 1")
    return SortOptions(
        card=Path(given.card),
        out=Path(given.out),
        into=Path(given.into) if given.into else None,
        replace=given.replace,
        workers=given.workers,
    )


def _check_series(sorting: Sorting, card: str) -> None:
    """Raise NothingToMake where there is no series."""
    if not sorting.card.series:
        raise NothingToMake(
            f"{card}: no series: no two frames that could be looked at overlap. Why each is set apart stands "
            f"in {sorting.sheet}; to overrule it, see docs/sorting.md"
        )


def _copied(sorting: Sorting, into: Path, line: Progress, *, quiet: bool) -> bool:
    """Copy the series and tell of it; whether all is there."""
    copies = copy_series(sorting.card, sorting.root, into, line)
    line.close()
    raise_if_nothing_copied(copies)
    if not copies.is_complete:
        print(copies_in_words(copies), file=sys.stderr, flush=True)
    elif not quiet:
        print(copies_in_words(copies), flush=True)
    if not quiet and (left := _left_on_card(sorting)):
        print(left, flush=True)
    return copies.is_complete


def _left_on_card(sorting: Sorting) -> str:
    """What is in no series and so was not copied."""
    card = sorting.card
    counts = (
        (len(card.markers), "marker", "markers"),
        (len(card.strays), "frame set apart", "frames set apart"),
        (len(card.unreadable), "file that cannot be read", "files that cannot be read"),
    )
    said = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    return f"On the card only: {', '.join(said)}." if said else ""
