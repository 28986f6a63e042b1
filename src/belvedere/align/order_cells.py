"""Which empty place of the grid a frame without tie points has, by the order shot alone."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from belvedere.align.tied_grid import TiedRow

Cell = tuple[int, int]

_MOST_PLAIN_ROWS = 2  # before the first or after the last row with tie points
_ROWS_FOR_PLAIN = 3  # rows with tie points that a row without any needs


def cells_between(rows: Sequence[TiedRow]) -> dict[int, Cell]:
    """Places of the exposures between two frames of one row, where the steps between them are as many.

    Parameters
    ----------
    rows : sequence of TiedRow
        In the order shot.

    Returns
    -------
    cells : dict
        Exposure number to (row, column).
    """
    out: dict[int, Cell] = {}
    for row in rows:
        shots = list(zip(row.numbers, row.columns, strict=True))
        for (n, c), (following, end) in pairwise(shots):
            if abs(end - c) == following - n:
                out.update({n + j: (row.row, c + row.way * j) for j in range(1, following - n)})
    return out


def cells_of_whole_rows(rows: Sequence[TiedRow], first: int, last: int) -> list[dict[int, Cell]]:
    """Places of exposures before, between and after the rows' known frames, if all rows are equally long.

    As many exposures as there are leave only whole rows: their length follows from the count, and must come
    out whole, cover what is known and begin at the same column (or the next one) everywhere. Rows shot there
    and back are heeded.

    Parameters
    ----------
    rows : sequence of TiedRow
        In the order shot; a single row says nothing of its length.
    first, last : int
        Numbers of the first and the last exposure of the series.

    Returns
    -------
    ways : list of dict
        Every way the exposures can be shared out; exposure number to (row, column). With one, it is plain.
    """
    if len(rows) < 2:
        return []
    down = _direction(rows)
    plain = range(_MOST_PLAIN_ROWS + 1) if down and len(rows) >= _ROWS_FOR_PLAIN else range(1)
    found: list[dict[int, Cell]] = []
    for before in plain:
        for after in plain:
            shared = _shared_out(rows, down, first, last, before, after)
            if shared is not None and shared not in found:
                found.append(shared)
    return found


def cells_within(rows: Sequence[TiedRow], first: int, last: int) -> dict[int, Cell]:
    """Places of exposures at the ends of rows, where they just fill these up to the columns of other rows.

    Parameters and result as for the others; exposures that do not fill them, or overfill them, have none.
    """
    down = _direction(rows)
    told = _ways(rows, [k + _skipped(rows[: k + 1], down) for k in range(len(rows))])
    if told is None:
        return {}
    ways, _ = told
    columns = [c for row in rows for c in row.columns]
    low, high = min(columns), max(columns)
    begin = [
        row.columns[0] - low if way > 0 else high - row.columns[0]
        for row, way in zip(rows, ways, strict=True)
    ]
    end = [
        high - row.columns[-1] if way > 0 else row.columns[-1] - low
        for row, way in zip(rows, ways, strict=True)
    ]
    runs: list[tuple[int | None, int | None, int]] = [(None, 0, rows[0].numbers[0] - first)]
    runs += [(k, k + 1, b.numbers[0] - a.numbers[-1] - 1) for k, (a, b) in enumerate(pairwise(rows))]
    runs += [(len(rows) - 1, None, last - rows[-1].numbers[-1])]
    cells: dict[int, Cell] = {}
    for before, after, count in runs:
        ending, beginning = end[before] if before is not None else 0, begin[after] if after is not None else 0
        if ending + beginning != count:
            continue
        if before is not None:
            row, way = rows[before], ways[before]
            cells |= {row.numbers[-1] + j: (row.row, row.columns[-1] + way * j) for j in range(1, ending + 1)}
        if after is not None:
            row, way = rows[after], ways[after]
            cells |= {
                row.numbers[0] - j: (row.row, row.columns[0] - way * j) for j in range(1, beginning + 1)
            }
    return cells


def _skipped(rows: Sequence[TiedRow], down: int) -> int:
    """Rows without tie points between these, where the rows were shot one under the other."""
    return sum(abs(b.row - a.row) - 1 for a, b in pairwise(rows)) if down else 0


def _direction(rows: Sequence[TiedRow]) -> int:
    """+1 where every row lies under the one before, -1 above, 0 neither."""
    steps = np.diff([row.row for row in rows])
    return 1 if (steps > 0).all() else -1 if (steps < 0).all() else 0


def _ways(rows: Sequence[TiedRow], place: Sequence[int]) -> tuple[list[int], int] | None:
    """Every row's way, and whether rows turn back (-1) or not (1); None where it does not tell.

    `place` counts the rows in the order shot, those without tie points too.
    """
    known = [(p, row.way) for p, row in zip(place, rows, strict=True) if row.way]
    if len(known) < 2:
        return None
    for turn in (1, -1):
        ways = [known[0][1] * turn ** abs(p - known[0][0]) for p in place]
        if all(row.way in (0, way) for row, way in zip(rows, ways, strict=True)):
            return ways, turn
    return None


def _shared_out(
    rows: Sequence[TiedRow], down: int, first: int, last: int, before: int, after: int
) -> dict[int, Cell] | None:
    """Cells with so many whole rows before the first known and after the last; None if that is uneven."""
    between = [abs(b.row - a.row) - 1 if down else 0 for a, b in pairwise(rows)]
    place = [k + sum(between[:k]) for k in range(len(rows))]
    told = _ways(rows, place)
    if told is None:
        return None
    ways, turn = told
    spans = [abs(r.columns[-1] - r.columns[0]) + 1 for r in rows]
    gaps = [b.numbers[0] - a.numbers[-1] - 1 for a, b in pairwise(rows)]
    lead, trail = rows[0].numbers[0] - first, last - rows[-1].numbers[-1]
    total = lead + trail + sum(gaps) + sum(spans)
    length, rest = divmod(total, len(rows) + sum(between) + before + after)
    if rest:
        return None
    follows = [*between, after]
    cells: dict[int, Cell] = {}
    lefts: list[int] = []
    plain = [
        (rows[0].row - down * j, ways[0] * turn**j, first + (before - j) * length)
        for j in range(1, before + 1)
    ]
    open_before = lead - before * length
    for k, (row, way, span) in enumerate(zip(rows, ways, spans, strict=True)):
        open_after = length - span - open_before
        if open_before < 0 or open_after < 0:
            return None
        begin, end = row.numbers[0], row.numbers[-1]
        cells |= {begin - j: (row.row, row.columns[0] - way * j) for j in range(1, open_before + 1)}
        cells |= {end + j: (row.row, row.columns[-1] + way * j) for j in range(1, open_after + 1)}
        left = row.columns[0] - way * open_before
        lefts.append(left if way > 0 else left - (length - 1))
        plain += [
            (row.row + down * j, way * turn**j, end + open_after + 1 + (j - 1) * length)
            for j in range(1, follows[k] + 1)
        ]
        if k < len(gaps):
            open_before = gaps[k] - open_after - between[k] * length
    if max(lefts) - min(lefts) > 1:
        return None
    left = round(float(np.median(lefts)))
    for level, way, number in plain:
        begin = left if way > 0 else left + length - 1
        cells |= {number + j: (level, begin + way * j) for j in range(length)}
    return cells
