"""May the sorting be written where the person wants it? Asked before any frame is looked at."""

from __future__ import annotations

from pathlib import Path

from belvedere.errors import OutputFailed, UnreadableFile
from belvedere.pipeline.known_card import is_known_card
from belvedere.pipeline.output import check_writable
from belvedere.survey.sorting.contact_sheet import GENERATOR
from belvedere.survey.sorting.series_file import files_of, read_series
from belvedere.survey.sorting.sorted_card import SortedCard

_HEAD_BYTES = 512  # of a page, in which it says what made it


def sheet_path(out: Path) -> Path:
    """The contact sheet beside a series.json: series.html."""
    return out.with_suffix(".html")


def check_series_output(out: Path, root: Path) -> None:
    """Raise OutputFailed unless a series.json can be made under this name.

    Raises
    ------
    OutputFailed
        If it is no JSON file's name, that of a word file or of a folder, on the card, or not writable.
    """
    if out.is_dir():
        raise OutputFailed(f"{out}: this is a folder. Choose a file name.")
    if out.suffix.lower() != ".json":
        raise OutputFailed(f"{out}: the sorting is written as JSON. Choose a name that ends in .json.")
    if out.name.lower().endswith(".word.json"):
        raise OutputFailed(f"{out}: files of this name are yours alone to write. Choose another name.")
    if out.resolve().is_relative_to(root.resolve()):
        raise OutputFailed(f"{out}: lies on the card, which is never written to. Choose another with --out.")
    check_writable(out)


def check_series_replaceable(
    out: Path, word_file: Path, root: Path, places: frozenset[str], replace: bool
) -> SortedCard | None:
    """Raise OutputFailed if a file is there that is no sorting of this card, unless it may be replaced.

    Parameters
    ----------
    out, word_file : Path
        The series.json, and where the photographer's word on it lies.
    root : Path
        The card that is to be sorted.
    places : frozenset of str
        Paths of its shots under it.
    replace : bool

    Returns
    -------
    SortedCard or None
        The sorting of the same card that is there.

    Notes
    -----
    A card is known by what is on it, not by where it is mounted: by a few files with their sizes and times,
    because another card may hold files of the same names. A word on another card is never heeded.
    """
    sheet = sheet_path(out)
    if sheet.exists() and not replace and not _is_contact_sheet(sheet):
        raise OutputFailed(
            f"{sheet}: is there already and is no contact sheet of Belvedere's. Choose another name for "
            f"{out.name}, or add --replace."
        )
    if not out.exists():
        return None
    try:
        before = read_series(out)
    except UnreadableFile as error:
        if replace:
            return None
        raise OutputFailed(
            f"{out}: is there already and is no sorting that can be read ({error.why}). "
            "Choose another name with --out, or add --replace."
        ) from error
    other = _other_card(before, root, places)
    if not other:
        return before
    if not replace:
        raise OutputFailed(
            f"{out}: is the sorting of another card ({before.card}){other}. "
            "Choose another name with --out, or add --replace."
        )
    if word_file.exists():
        raise OutputFailed(
            f"{word_file}: is your word on another card{other}. "
            "Move it away, or choose another name with --out."
        )
    return None


def _other_card(before: SortedCard, root: Path, places: frozenset[str]) -> str:
    """Why a sorting is of another card, to go on after "another card"; empty where it is of this one."""
    known = {file for series in before.series for file in files_of(series)}
    known |= {entry.file for entry in (*before.markers, *before.strays, *before.unreadable)}
    if not known or not places:
        return ""
    if not known & places:
        return ": no file of that is on this one"
    if not before.known_by:
        return ""
    same = is_known_card(root, before.known_by)
    if same:
        return ""
    if same is None:
        return ": names are the same, but none of the frames by which it is known again is on this one"
    count = len(known & places)
    names = "1 file has the same name" if count == 1 else f"{count} files have the same names"
    return f": {names}, but other sizes or times of exposure"


def _is_contact_sheet(file: Path) -> bool:
    try:
        with file.open("rb") as stream:
            return GENERATOR.encode() in stream.read(_HEAD_BYTES)
    except OSError:
        return False
