"""The photographer's word on a sorted card, which overrules what was found: `series.word.json`.

Schema `belvedere.series.word/1`; read here, never written. What every key means stands in docs/sorting.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated

import msgspec

from belvedere.checked_json import read_checked, shown
from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.series_file import why_no_folder_name

SCHEMA = "belvedere.series.word/1"
_SHOWN = 4  # faults told at once

Name = Annotated[str, msgspec.Meta(min_length=1)]


@dataclass(frozen=True, slots=True)
class SeriesWord:
    """What the photographer says. Every file is named by its path under the card, with / between folders.

    Parameters
    ----------
    split_before : tuple of str
        Files with which a new series begins, in the order shot.
    join : tuple of (str, str)
        Pairs of files whose series are one.
    not_marker : tuple of str
        Files that are frames of the scene, whatever they look like.
    marker : tuple of str
        Files that are marker frames, whatever they look like.
    leave_out : tuple of str
        Files that belong to no series: strays.
    names : mapping of str to str
        Names of series, each by any one of its files.
    """

    split_before: tuple[str, ...] = ()
    join: tuple[tuple[str, str], ...] = ()
    not_marker: tuple[str, ...] = ()
    marker: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    names: Mapping[str, str] = field(default_factory=dict)


class WordDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file as it stands, frames called as the person calls them."""

    schema: str
    split_before: tuple[Name, ...] = ()
    join: tuple[Annotated[tuple[Name, ...], msgspec.Meta(min_length=2)], ...] = ()
    not_marker: tuple[Name, ...] = ()
    marker: tuple[Name, ...] = ()
    leave_out: tuple[Name, ...] = ()
    names: dict[Name, Name] = {}


def series_word_path(series_file: Path) -> Path:
    """Where the word on a `series.json` lies: `series.word.json` beside it."""
    return series_file.with_name(series_file.stem + ".word.json")


def read_series_word(file: Path) -> WordDocument:
    """Read a word file; its names are looked up by `heeded`.

    Raises
    ------
    UnreadableFile
        If it cannot be read, is no JSON, has another schema, a key there is not, or a value of another kind.
    """
    document = read_checked(file, WordDocument, SCHEMA)
    for name in document.names.values():
        why = why_no_folder_name(name)
        if why is not None:
            raise UnreadableFile(file, f"names: {shown(name)} {why}, so it cannot name a series")
    return document


def heeded(document: WordDocument, file: Path, find: Callable[[str], str]) -> SeriesWord:
    """The word with paths under the card for names.

    Parameters
    ----------
    document : WordDocument
    file : Path
        Where it stands, for what is said of it.
    find : function of a name
        Gives the path of the file a person calls so; raises LookupError with why there is none.

    Raises
    ------
    UnreadableFile
        If it names a file there is not, or contradicts itself; every fault is told with its key.
    """
    faults: list[str] = []

    def found(key: str, names: tuple[str, ...]) -> tuple[str, ...]:
        out = []
        for name in names:
            try:
                out.append(find(name))
            except LookupError as error:
                faults.append(f"{key}: {name}: {error.args[0]}")
        return tuple(dict.fromkeys(out))

    joins = [found(f"join[{k}]", group) for k, group in enumerate(document.join)]
    named = [(found("names", (name,)), said) for name, said in document.names.items()]
    word = SeriesWord(
        split_before=found("split_before", document.split_before),
        join=tuple((group[0], other) for group in joins for other in group[1:]),
        not_marker=found("not_marker", document.not_marker),
        marker=found("marker", document.marker),
        leave_out=found("leave_out", document.leave_out),
        names={path: said for paths, said in named for path in paths},
    )
    faults += _contradictions(word)
    if faults:
        more = f"; and {len(faults) - _SHOWN} more" if len(faults) > _SHOWN else ""
        raise UnreadableFile(file, "; ".join(faults[:_SHOWN]) + more)
    return word


def _contradictions(word: SeriesWord) -> Iterator[str]:
    apart = {"marker": set(word.marker), "leave_out": set(word.leave_out)}
    for a, b in (("marker", "leave_out"), ("not_marker", "marker"), ("not_marker", "leave_out")):
        first = apart.get(a, set(word.not_marker))
        yield from (f"{a}: {path}: stands in {b} too" for path in sorted(first & apart[b]))
    for path in word.split_before:
        # A series that begins with what is no frame would begin with nothing.
        yield from (f"split_before: {path}: stands in {key} too" for key in apart if path in apart[key])
    for pair in word.join:
        yield from (f"join: {p}: stands in {key} too" for p in pair for key in apart if p in apart[key])
    said: dict[str, str] = {}
    for path, name in word.names.items():
        if said.setdefault(name.casefold(), path) != path:
            yield f"names: {shown(name)} is given to {said[name.casefold()]} and to {path}"
