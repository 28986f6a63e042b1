"""A sorted card as a table of plain text for the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from belvedere.survey.sorting.card_words import (
    files_in_words,
    grid_in_words,
    headline,
    is_in_doubt,
    lens_in_words,
    missing_in_words,
    sure_in_words,
    time_in_words,
)
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard

_LISTED = 12  # files told one by one; the contact sheet shows them all
_LEAST_WHY = 36  # columns; where there are fewer, why stands on lines of its own
_HEADS = ("series", "frames", "rows", "lens", "shot", "sure")


def series_table(card: SortedCard, *, width: int = 100) -> str:
    """A sorted card for a terminal.

    Parameters
    ----------
    card : SortedCard
    width : int
        Columns of the terminal; names longer than that stand out of it, nothing is cut off.

    Returns
    -------
    str
        First what was found, counted, then a line a series with what is missing under it, markers, what is
        set apart, and what could not be read, each with why. No line feed at the end.
    """
    parts = ["\n".join(_wrapped(f"{headline(card)}: {files_in_words(card)}", width))]
    if card.series:
        parts.append("\n".join(_series_lines(card.series, width)))
    for title, files in (("markers", card.markers), ("set apart", card.strays)):
        if files:
            parts.append("\n".join(_files(title, files, width)))
    if card.unreadable:
        parts.append("\n".join(_files("cannot be read", card.unreadable, width)))
    if card.notices:
        parts.append("\n".join(line for notice in card.notices for line in _wrapped(notice, width)))
    return "\n\n".join(parts)


def _series_lines(series: Sequence[Series], width: int) -> list[str]:
    cells = [
        (
            one.name,
            _frames(one),
            grid_in_words(one),
            lens_in_words(one),
            time_in_words(one),
            sure_in_words(one),
        )
        for one in series
    ]
    widths = [max(len(row[c]) for row in (_HEADS, *cells)) for c in range(len(_HEADS))]
    start = sum(widths) + 2 * len(widths)
    beside = width - start >= _LEAST_WHY
    lines = [_line(_HEADS, widths) + ("  why" if beside else "")]
    for one, row in zip(series, cells, strict=True):
        notes = [one.why] if one.why else []
        missing = missing_in_words(one)
        if missing:
            notes.append(f"missing: {missing}")
        if is_in_doubt(one):
            notes.append("in doubt: look at the contact sheet")
        indent = start if beside else 4
        told = [line for note in notes for line in textwrap.wrap(note, max(20, width - indent))]
        if beside:
            lines.append(_line(row, widths) + (f"  {told[0]}" if told else ""))
            told = told[1:]
        else:
            lines.append(_line(row, widths).rstrip())
        lines += [" " * indent + line for line in told]
    return lines


def _frames(series: Series) -> str:
    """Frames, and exposures of each where there are several: "15", "15 x 3"."""
    exposures = max((len(pose) for pose in series.brackets), default=1)
    return f"{len(series.frames)} x {exposures}" if exposures > 1 else str(len(series.frames))


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    """The first cell and the time begin, the others end at their columns."""
    parts = [
        cell.ljust(wide) if c in (0, 4) else cell.rjust(wide)
        for c, (cell, wide) in enumerate(zip(cells, widths, strict=True))
    ]
    return "  ".join(parts)


def _files(title: str, files: Sequence[SetApart], width: int) -> list[str]:
    lines = [f"{title}:"]
    by_why: dict[str, list[str]] = {}
    for entry in files[:_LISTED]:
        by_why.setdefault(entry.why, []).append(entry.file)
    for why, same in by_why.items():
        lines += textwrap.wrap(
            f"{', '.join(same)}: {why}",
            max(40, width),
            initial_indent="  ",
            subsequent_indent="      ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    if len(files) > _LISTED:
        lines.append(f"  and {len(files) - _LISTED} more, in the contact sheet")
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(40, width), break_long_words=False, break_on_hyphens=False)
