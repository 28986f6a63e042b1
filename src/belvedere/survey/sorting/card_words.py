"""A sorted card in words: what the table in the terminal and the contact sheet both say."""

from __future__ import annotations

from datetime import datetime

from belvedere.survey.sorting.series_file import files_of, grid_width
from belvedere.survey.sorting.sorted_card import Series, SortedCard

DOUBTFUL = 0.6
"""Confidence below which a series is in doubt. Common practice, no published source."""


def headline(card: SortedCard) -> str:
    """What was found, counted: "9 series, 4 markers, 3 set apart"."""
    said = [
        counted(len(card.series), "series", "series"),
        counted(len(card.markers), "marker", "markers"),
        f"{len(card.strays)} set apart",
    ]
    if card.unreadable:
        said.append(f"{len(card.unreadable)} that cannot be read")
    return ", ".join(said)


def counted(count: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"{count} {one if count == 1 else many}"


def is_in_doubt(series: Series) -> bool:
    """Whether the photographer should look at it."""
    return series.confidence < DOUBTFUL


def frames_in_words(series: Series) -> str:
    """How many frames: "15 frames", "15 frames of 3 exposures"."""
    said = counted(len(series.frames), "frame", "frames")
    exposures = {len(pose) for pose in series.brackets}
    if not exposures:
        return said
    least, most = min(exposures), max(exposures)
    return f"{said} of {least} exposures" if least == most else f"{said} of {least} to {most} exposures"


def grid_in_words(series: Series) -> str:
    """Rows and columns of the completed grid: "3 x 5"."""
    return f"{len(series.rows)} x {grid_width(series)}"


def rows_in_words(series: Series) -> str:
    """The same in a sentence: "3 rows of 5", "one row of 7"."""
    rows = len(series.rows)
    if rows > 1 and grid_width(series) == 1:
        return f"one column of {rows}"
    return f"{'one row' if rows == 1 else f'{rows} rows'} of {grid_width(series)}"


def lens_in_words(series: Series) -> str:
    """Focal length as tagged: "85 mm"; a dash where no tag tells."""
    return f"{series.focal_mm:.3g} mm" if series.focal_mm else "–"


def held_in_words(series: Series) -> str:
    """How the frames are held."""
    return {"portrait": "upright", "landscape": "lying", "square": "square"}[series.orientation]


def time_in_words(series: Series) -> str:
    """When it was shot, by the camera's clock: "2026-11-25 09:14–09:16"; a dash where it cannot be told."""
    start, end = _moment(series.started), _moment(series.ended)
    if start is None:
        return "–"
    if end is None or (start.date(), start.hour, start.minute) == (end.date(), end.hour, end.minute):
        return f"{start:%Y-%m-%d %H:%M}"
    if start.date() == end.date():
        return f"{start:%Y-%m-%d %H:%M}–{end:%H:%M}"
    return f"{start:%Y-%m-%d %H:%M}–{end:%Y-%m-%d %H:%M}"


def sure_in_words(series: Series) -> str:
    """How sure: "98 %"."""
    return f"{100 * series.confidence:.0f} %"


def missing_in_words(series: Series) -> str:
    """Where frames are missing, counted from 1 as people count: "row 2, columns 4 and 5"; empty if none."""
    by_row: dict[int, list[int]] = {}
    for row, column in sorted(set(series.missing)):
        by_row.setdefault(row + 1, []).append(column + 1)
    return "; ".join(f"row {row}, {_columns(columns)}" for row, columns in by_row.items())


def files_in_words(card: SortedCard) -> str:
    """How many pictures lie in it, and where: "61 frames on /media/card"."""
    count = sum(1 for series in card.series for _ in files_of(series))
    count += len(card.markers) + len(card.strays)
    return f"{counted(count, 'frame', 'frames')} on {card.card}"


def _columns(columns: list[int]) -> str:
    if len(columns) == 1:
        return f"column {columns[0]}"
    return f"columns {', '.join(map(str, columns[:-1]))} and {columns[-1]}"


def _moment(text: str | None) -> datetime | None:
    try:
        return None if text is None else datetime.fromisoformat(text)
    except ValueError:
        return None
