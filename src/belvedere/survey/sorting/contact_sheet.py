"""A sorted card as one page of HTML that needs nothing beside it: series as grids of small pictures."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from belvedere.survey.sorting.card_words import (
    files_in_words,
    frames_in_words,
    grid_in_words,
    headline,
    held_in_words,
    is_in_doubt,
    lens_in_words,
    missing_in_words,
    rows_in_words,
    sure_in_words,
    time_in_words,
)
from belvedere.survey.sorting.contact_sheet_style import STYLE
from belvedere.survey.sorting.series_file import grid_width
from belvedere.survey.sorting.sorted_card import Series, SetApart, SortedCard

GENERATOR = "Belvedere contact sheet"
"""What a page says made it, near its start: a page without may not be replaced."""


# Widths on the page of small pictures of frames 3:2 or 2:3 whose long side is 160 px.
_WIDE_REM = {"portrait": 6.7, "landscape": 10.0, "square": 10.0}


@dataclass(frozen=True, slots=True)
class Thumbnail:
    """A small picture of a frame, upright as displayed.

    Parameters
    ----------
    jpeg : bytes
        A JPEG stream.
    width, height : int
        Its size, px.
    """

    jpeg: bytes
    width: int
    height: int


def contact_sheet(
    card: SortedCard, thumbnail: Callable[[str], Thumbnail | None], *, word_file: str = "series.word.json"
) -> Iterator[str]:
    """The page, piece by piece: no more than one small picture is in memory at a time.

    Parameters
    ----------
    card : SortedCard
    thumbnail : function of a file's path under the card
        Its small picture, or None where there is none.
    word_file : str
        Name of the file in which the photographer overrules it.

    Yields
    ------
    str
        Pieces of an HTML document (WHATWG HTML, living standard) without script; it allows itself no
        resource but what is in it (Content Security Policy Level 3, W3C).
    """
    title = f"Contact sheet of {card.card}"
    yield (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="generator" content="{GENERATOR}">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
    )
    yield f"<header>\n<h1>{escape(headline(card))}</h1>\n"
    yield f"<p>{escape(files_in_words(card))}</p>\n</header>\n<main>\n"
    if card.series:
        yield from _overview(card.series)
    for k, series in enumerate(card.series):
        yield from _series(k, series, thumbnail)
    yield from _apart("markers", "Markers", card.markers, thumbnail)
    yield from _apart("strays", "Set apart", card.strays, thumbnail)
    if card.unreadable:
        yield _listed("unreadable", "Cannot be read", [f"{u.file}: {u.why}" for u in card.unreadable])
    if card.notices:
        yield _listed("notices", "Good to know", card.notices)
    yield (
        "</main>\n<footer><p>Is something sorted wrongly? Say so in "
        f"<code>{escape(word_file)}</code> beside this page, and sort again: your word is kept. "
        "Nothing on the card was changed.</p></footer>\n</body>\n</html>\n"
    )


def _overview(series: Sequence[Series]) -> Iterator[str]:
    heads = ("Series", "Frames", "Rows", "Lens", "Shot", "Sure")
    yield '<div class="scroll" tabindex="0" role="region" aria-label="All series">\n<table>\n'
    yield (
        "<thead><tr>" + "".join(f'<th scope="col">{head}</th>' for head in heads) + "</tr></thead>\n<tbody>\n"
    )
    for k, one in enumerate(series):
        cells = (
            str(len(one.frames)),
            _times(grid_in_words(one)),
            lens_in_words(one),
            time_in_words(one),
            sure_in_words(one) + (" – in doubt" if is_in_doubt(one) else ""),
        )
        name = f'<th scope="row"><a href="#series-{k + 1}">{escape(one.name)}</a></th>'
        yield f"<tr>{name}" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>\n"
    yield "</tbody>\n</table>\n</div>\n"


def _series(k: int, series: Series, thumbnail: Callable[[str], Thumbnail | None]) -> Iterator[str]:
    here = f"series-{k + 1}"
    facts = [
        frames_in_words(series),
        rows_in_words(series),
        lens_in_words(series),
        held_in_words(series),
        time_in_words(series),
        f"{sure_in_words(series)} sure",
    ]
    yield f'<section aria-labelledby="{here}">\n<h2 id="{here}">{escape(series.name)}</h2>\n'
    yield f'<p class="facts">{escape(" · ".join(fact for fact in facts if fact != "–"))}</p>\n'
    if series.why:
        yield f'<p class="why">{escape(series.why)}</p>\n'
    if is_in_doubt(series):
        yield '<p class="doubt">In doubt: please look whether these frames belong together.</p>\n'
    missing = missing_in_words(series)
    if missing:
        yield f'<p class="doubt">Missing: {escape(missing)}.</p>\n'
    columns = grid_width(series)
    yield (
        f'<div class="scroll" tabindex="0" role="region" '
        f'aria-label="Frames of {escape(series.name)} as seen">\n'
        f'<div class="grid" style="--columns:{columns};--wide:{_WIDE_REM[series.orientation]}rem">\n'
    )
    shape = "2/3" if series.orientation == "portrait" else "1" if series.orientation == "square" else "3/2"
    for r, row in enumerate(series.rows):
        yield f'<ol class="row" aria-label="Row {r + 1}">\n'
        for c, file in _placed(row, {column for at, column in series.missing if at == r}):
            where = f"row {r + 1}, column {c + 1}"
            if file is None:
                yield (
                    f'<li class="missing" style="grid-column:{c + 1}"><span class="empty" '
                    f'style="aspect-ratio:{shape}">missing</span>'
                    f'<span class="unseen">{where}: no frame</span></li>\n'
                )
            else:
                yield f'<li style="grid-column:{c + 1}">{_figure(file, where, thumbnail(file))}</li>\n'
        yield "</ol>\n"
    yield "</div>\n</div>\n"
    if series.brackets:
        yield "<details>\n<summary>Exposures of every frame</summary>\n<ul>\n"
        for pose in series.brackets:
            yield f"<li>{escape(', '.join(pose))}</li>\n"
        yield "</ul>\n</details>\n"
    yield "</section>\n"


def _placed(row: Sequence[str], missing: set[int]) -> Iterator[tuple[int, str | None]]:
    """(column, file) of a row's frames in their columns, and (column, None) where one is missing."""
    files = iter(row)
    left = len(row)
    column = 0
    while left or any(c >= column for c in missing):
        if column in missing:
            yield column, None
        elif left:
            left -= 1
            yield column, next(files)
        column += 1


def _apart(
    here: str, title: str, files: Sequence[SetApart], thumbnail: Callable[[str], Thumbnail | None]
) -> Iterator[str]:
    if not files:
        return
    yield f'<section aria-labelledby="{here}">\n<h2 id="{here}">{title}</h2>\n<ul class="apart {here}">\n'
    for entry in files:
        what = "marker frame" if here == "markers" else "set apart"
        figure = _figure(entry.file, what, thumbnail(entry.file), entry.why)
        yield f"<li>{figure}</li>\n"
    yield "</ul>\n</section>\n"


def _figure(file: str, where: str, small: Thumbnail | None, why: str = "") -> str:
    name = file.rpartition("/")[2]
    called = name if why else name.partition(".")[0] or name  # in a row there is little room
    said = f'<span class="name" title="{escape(file)}">{escape(called)}</span>'
    if why:
        said += f' <span class="why">{escape(why)}</span>'
    if small is None:
        picture = '<span class="empty" style="aspect-ratio:3/2">no small picture</span>'
    else:
        code = base64.b64encode(small.jpeg).decode("ascii")
        picture = (
            f'<img src="data:image/jpeg;base64,{code}" width="{small.width}" height="{small.height}" '
            f'alt="{escape(f"{name}, {where}")}" decoding="async">'
        )
    return f"<figure>{picture}<figcaption>{said}</figcaption></figure>"


def _listed(here: str, title: str, sentences: Sequence[str]) -> str:
    items = "".join(f"<li>{escape(sentence)}</li>\n" for sentence in sentences)
    return (
        f'<section aria-labelledby="{here}">\n<h2 id="{here}">{title}</h2>\n<ul>\n{items}</ul>\n</section>\n'
    )


def _times(grid: str) -> str:
    return grid.replace(" x ", " × ")
