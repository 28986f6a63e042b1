"""Which file of a card goes where in a folder of copies: decided before anything is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from belvedere.survey.sorting.series_file import files_of
from belvedere.survey.sorting.sorted_card import Series, SortedCard

_EDITS_SUFFIX = ".xmp"  # sidecar files: ISO 16684-1


@dataclass(frozen=True, slots=True)
class PlannedCopy:
    """One file to be copied.

    Parameters
    ----------
    source : Path
        On the card.
    file : str
        The same as a path under the card.
    copy : str
        Where it goes: a path under the folder of copies, the series' folder first.
    """

    source: Path
    file: str
    copy: str


def plan_copies(root: Path, card: SortedCard) -> tuple[PlannedCopy, ...]:
    """Plan the copies of all series: their pictures, raw files and sidecar files, a folder a series.

    Where two folders of the card hold the same name, the later one gets a number: `VH_0001-2.JPG`. What
    belongs together is called the same. The plan depends on the card and its sorting alone.
    """
    listings: dict[Path, tuple[Path, ...]] = {}
    return tuple(planned for series in card.series for planned in _plan_series(root, series, listings))


def _plan_series(root: Path, series: Series, listings: dict[Path, tuple[Path, ...]]) -> list[PlannedCopy]:
    taken: set[str] = set()
    out: list[PlannedCopy] = []
    for file in files_of(series):
        group = [root / file]
        if file in series.twins:
            group.append(root / series.twins[file])
        group += _sidecars(group, listings)
        stem = Path(file).stem
        number = 1
        while taken & {_called(path.name, stem, number).casefold() for path in group}:
            number += 1
        for path in group:
            name = _called(path.name, stem, number)
            taken.add(name.casefold())
            out.append(PlannedCopy(path, path.relative_to(root).as_posix(), f"{series.name}/{name}"))
    return out


def _called(name: str, stem: str, number: int) -> str:
    """A file's name as its group's number makes it; the first of a name keeps it."""
    if number == 1:
        return name
    if name.casefold().startswith(stem.casefold()):
        return f"{name[: len(stem)]}-{number}{name[len(stem) :]}"
    return f"{number}-{name}"


def _sidecars(group: Sequence[Path], listings: dict[Path, tuple[Path, ...]]) -> list[Path]:
    """Files of edits beside a picture or its raw file: NAME.xmp, or named after the whole name and more."""
    found: dict[Path, None] = {}
    for path in group:
        stem, name = path.stem.casefold(), path.name.casefold()
        for other in _listing(path.parent, listings):
            own = other.name.casefold()
            if own == stem + _EDITS_SUFFIX or other.stem.casefold() == name:
                found[other] = None
    return [path for path in found if path not in group]


def _listing(folder: Path, listings: dict[Path, tuple[Path, ...]]) -> tuple[Path, ...]:
    """A folder's files that are not hidden, by name; nothing where it cannot be listed."""
    if folder not in listings:
        try:
            entries = sorted(folder.iterdir())
        except OSError:
            entries = []
        listings[folder] = tuple(e for e in entries if not e.name.startswith(".") and e.is_file())
    return listings[folder]
