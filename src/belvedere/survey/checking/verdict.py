"""The verdict on a set before the tripod is folded: complete, or what to shoot again and where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from belvedere.align.alignment import Alignment
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.coverage_map import CoverageMap, coverage_map
from belvedere.survey.checking.finding import Finding, Kind
from belvedere.survey.checking.frame_words import percent
from belvedere.survey.checking.head_grid import head_grid
from belvedere.survey.checking.neighbours import shared_rows, shared_steps

Answer = Literal["complete", "reshoot", "unusable"]

EXIT_CODES: dict[Answer, int] = {"complete": 0, "reshoot": 3, "unusable": 2}

# What tells most of whether there will be a picture at all comes first.
_ORDER: tuple[Kind, ...] = (
    "missing",
    "unreadable",
    "stray",
    "overlap",
    "focus",
    "sharpness",
    "exposure",
    "settings",
    "featureless",
    "clipping",
    "parallax",
    "moving",
    "roll",
    "tilt",
    "level",
    "ends",
    "plan",
)
_MAP_LINES, _MOST_COLUMNS, _LEAST_COLUMNS = 13, 72, 24
_GRAVES = ("reshoot", "risk", "note")


@dataclass(frozen=True, slots=True)
class NeighbourOverlap:
    """What two neighbours share.

    Parameters
    ----------
    a, b : int
        Frames, by index in the set: a left of b, or a held against the row in which b is nearest to it.
    across : "row" or "rows"
        Whether they stand in one row, or in two rows above each other.
    row : int
        The row of frame a, from 0 at the top.
    overlap_fraction : float
        Share of a frame's area that its neighbour sees too; across rows share of frame a's height that
        the other row shows too. 0 to 1.
    """

    a: int
    b: int
    across: Literal["row", "rows"]
    row: int
    overlap_fraction: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is to be told of a set.

    Parameters
    ----------
    answer : "complete", "reshoot" or "unusable"
    headline : str
        The one line that tells it.
    frames : tuple of str
        Names of the frames in the order shot, which findings name by their index.
    findings : tuple of Finding
        The most important first: what to shoot again, then risks, then notes.
    rows : tuple of tuple of int
        Placed frames from the top row, from left to right.
    overlaps : tuple of NeighbourOverlap
        In rows from the top, from left to right; then across rows.
    coverage : tuple of str
        The map of what the frames cover, in lines of plain text.
    wide_deg, tall_deg : float or None
        What the frames span from edge to edge.
    """

    answer: Answer
    headline: str
    frames: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    rows: tuple[tuple[int, ...], ...] = ()
    overlaps: tuple[NeighbourOverlap, ...] = ()
    coverage: tuple[str, ...] = ()
    wide_deg: float | None = None
    tall_deg: float | None = None

    @property
    def exit_code(self) -> int:
        """0 complete, 3 shoot again, 2 unusable."""
        return EXIT_CODES[self.answer]

    def grave(self, grave: str) -> tuple[Finding, ...]:
        """The findings of one gravity: "reshoot", "risk" or "note"."""
        return tuple(f for f in self.findings if f.grave == grave)


def verdict(checked: Checked, findings: Sequence[Finding], *, names: Sequence[str] | None = None) -> Verdict:
    """Make the verdict on a set of which at least two frames were placed.

    Parameters
    ----------
    checked : Checked
    findings : sequence of Finding
        What the examiners found, in any order that is always the same.
    names : sequence of str or None
        What the frames are called; None: their file names.

    Raises
    ------
    ValueError
        If no frame was placed; see `unusable`.
    """
    grid = head_grid(checked.alignment)
    ordered = in_order(findings)
    steps = [NeighbourOverlap(s.a, s.b, "row", s.step.row, s.overlap) for s in shared_steps(grid)]
    rows = [
        NeighbourOverlap(s.frame, s.nearest, "rows", grid.row_of(s.frame), s.overlap)
        for s in shared_rows(grid)
    ]
    map_ = _map_of_few_lines(checked.alignment)
    again = [f for f in ordered if f.grave == "reshoot"]
    wide, tall = math.degrees(map_.wide), math.degrees(map_.tall)
    placed = tuple(row.frames for row in grid.rows)
    told = _again(again) if again else _complete(placed, steps, map_, sum(f.grave == "risk" for f in ordered))
    return Verdict(
        "reshoot" if again else "complete",
        told,
        tuple(frame.name for frame in checked.frames) if names is None else tuple(names),
        ordered,
        placed,
        (*steps, *rows),
        map_.lines,
        wide,
        tall,
    )


def unusable(why: str, frames: Sequence[str] = (), findings: Sequence[Finding] = ()) -> Verdict:
    """The verdict on a set of which nothing can be made.

    Parameters
    ----------
    why : str
        What is the matter and what to do, a sentence without its full stop.
    frames : sequence of str
        Names of the frames that findings name.
    findings : sequence of Finding
    """
    return Verdict("unusable", f"Unusable: {why}.", tuple(frames), in_order(findings))


def _map_of_few_lines(alignment: Alignment) -> CoverageMap:
    """The widest map that leaves room for words on one screen, or the smallest there is."""
    for columns in range(_MOST_COLUMNS, _LEAST_COLUMNS, -8):
        drawn = coverage_map(alignment, columns=columns)
        if len(drawn.lines) <= _MAP_LINES:
            return drawn
    return coverage_map(alignment, columns=_LEAST_COLUMNS)


def in_order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Findings by how grave they are, then by what they mean to the picture; else as they came."""
    return tuple(sorted(findings, key=lambda f: (_GRAVES.index(f.grave), _ORDER.index(f.kind))))


def _again(again: Sequence[Finding]) -> str:
    more = f" And {len(again) - 1} more." if len(again) > 1 else ""
    return f"Shoot again: {again[0].words}.{more}"


def _complete(
    rows: Sequence[Sequence[int]], steps: Sequence[NeighbourOverlap], map_: CoverageMap, risks: int
) -> str:
    count = sum(len(row) for row in rows)
    wide, tall = math.degrees(map_.wide), math.degrees(map_.tall)
    in_rows = "one row" if len(rows) == 1 else f"{len(rows)} rows"
    if map_.along:
        in_rows = "a sweep over the zenith"
    least = f", least overlap {percent(min(s.overlap_fraction for s in steps))}" if steps else ""
    but = "" if not risks else f" {'One thing' if risks == 1 else f'{risks} things'} may show, below."
    return f"Complete: {count} frames in {in_rows}, {wide:.0f} x {tall:.0f} degrees{least}.{but}"
