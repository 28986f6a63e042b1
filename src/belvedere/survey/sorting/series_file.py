"""`series.json`, the sorted card as a document: checked when read, the same bytes for the same card."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path, PurePath

import msgspec

from belvedere.checked_json import read_checked, shown
from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.sorted_card import SCHEMA, Series, SetApart, SortedCard

_NO_NAME_CHARACTERS = (
    '<>:"/\\|?*'  # of these, "/" is none anywhere; the rest where cards are formatted for all
)
_DEVICE_NAMES = frozenset(
    {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
)
_LONGEST_NAME = 100


def series_bytes(card: SortedCard) -> bytes:
    """A sorted card as JSON (RFC 8259, UTF-8), a line an entry, so that versions can be compared."""
    return msgspec.json.format(msgspec.json.encode(card), indent=1) + b"\n"


def read_series(file: Path) -> SortedCard:
    """Read a `series.json`. Keys that are not known are passed over.

    Raises
    ------
    UnreadableFile
        If it cannot be read or does not fit its schema: a series' name that is no folder's name or stands
        twice, rows that do not hold exactly the frames, a file in two places, a path that leaves the card, a
        missing place that is taken. Says which key.
    """
    card = read_checked(file, SortedCard, SCHEMA)
    fault = next(_faults(card), None)
    if fault is not None:
        raise UnreadableFile(file, fault)
    return card


def card_root(file: Path, card: SortedCard) -> Path:
    """The folder that the paths of a `series.json` count from; one that is relative counts from the file."""
    return file.parent / card.card


def why_no_folder_name(name: str) -> str | None:
    """Why a name will not do as a folder's, on any of the systems people use; None if it will."""
    if not name.strip():
        return "is empty"
    if len(name.encode("utf-8", "surrogatepass")) > _LONGEST_NAME:
        return f"is longer than {_LONGEST_NAME} bytes"
    bad = next((c for c in name if c in _NO_NAME_CHARACTERS or not c.isprintable()), None)
    if bad is not None:
        return f"holds {shown(bad) if bad.isprintable() else 'a character that does not show'}"
    if name != name.strip() or name.endswith(".") or name.startswith("."):
        return "begins or ends with a dot or a blank"
    if name.partition(".")[0].casefold() in _DEVICE_NAMES:
        return "is the name of a device on some systems"
    return None


def grid_width(series: Series) -> int:
    """Columns of the completed grid."""
    missing = Counter(row for row, _ in set(series.missing))
    return max((len(row) + missing[r] for r, row in enumerate(series.rows)), default=0)


def files_of(series: Series) -> Iterator[str]:
    """All pictures of a series, the exposures of its brackets too, each once, in the order shot; no twins."""
    poses = {pose[0]: pose for pose in series.brackets}
    for frame in series.frames:
        yield from poses.get(frame, (frame,))


def _faults(card: SortedCard) -> Iterator[str]:
    names = Counter(series.name.casefold() for series in card.series)
    for k, series in enumerate(card.series):
        key = f"series[{k}]"
        why = why_no_folder_name(series.name)
        if why is not None:
            yield f"{key}.name: {shown(series.name)} {why}, so it cannot name a folder"
        if names[series.name.casefold()] > 1:
            yield f"{key}.name: {shown(series.name)} is the name of two series"
        yield from _faults_of(series, key)
    places: Counter[str] = Counter(file for series in card.series for file in files_of(series))
    apart: dict[str, tuple[SetApart, ...]] = {"markers": card.markers, "strays": card.strays}
    for key, files in apart.items():
        places.update(entry.file for entry in files)
        for k, entry in enumerate(files):
            if _leaves_the_card(entry.file):
                yield f"{key}[{k}].file: {shown(entry.file)} is no path under the card"
    twice = next((file for file, count in places.items() if count > 1), None)
    if twice is not None:
        yield f"{shown(twice)}: stands in two places"


def _faults_of(series: Series, key: str) -> Iterator[str]:
    if not series.frames:
        yield f"{key}.frames: is empty"
    in_rows = [file for row in series.rows for file in row]
    stranger = next((f for f in in_rows if f not in set(series.frames)), None)
    if stranger is not None:
        yield f"{key}.rows: {shown(stranger)} is none of the series' frames"
    if sorted(in_rows) != sorted(series.frames):
        yield f"{key}.rows: need each of the series' frames once"
    firsts = [pose[0] for pose in series.brackets if pose]
    if len(firsts) < len(series.brackets) or (firsts and sorted(firsts) != sorted(series.frames)):
        yield f"{key}.brackets: need one list for each frame, the frame first"
    known = {*series.frames, *(file for pose in series.brackets for file in pose)}
    width = grid_width(series)
    for k, (row, column) in enumerate(series.missing):
        if row >= len(series.rows):
            yield f"{key}.missing[{k}]: there is no row {row}, counted from 0"
        elif column >= width:
            yield f"{key}.missing[{k}]: there is no column {column}, counted from 0"
    for frame, twin in series.twins.items():
        if frame not in known:
            yield f"{key}.twins: {shown(frame)} is no frame of the series"
        if _leaves_the_card(twin):
            yield f"{key}.twins: {shown(twin)} is no path under the card"
    outside = next((file for file in known if _leaves_the_card(file)), None)
    if outside is not None:
        yield f"{key}.frames: {shown(outside)} is no path under the card"


def _leaves_the_card(place: str) -> bool:
    """Whether a path is none that counts from the card's folder and stays in it."""
    path = PurePath(place)
    return not path.parts or bool(path.anchor) or ".." in path.parts or "\0" in place
