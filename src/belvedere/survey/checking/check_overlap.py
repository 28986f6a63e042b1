"""Whether every frame overlaps its neighbours enough, and which frames are missing."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from belvedere.capture.frame import Frame
from belvedere.survey.checking.apart import apart
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.closing_turn import closes_by_tag
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import degrees, frame_words, pair_words, percent, turn_words
from belvedere.survey.checking.head_grid import HeadGrid, head_grid
from belvedere.survey.checking.missing_frames import (
    LEAST_OVERLAP,
    MissingFrame,
    lacks_frames,
    missing_at_ends,
    missing_within,
)
from belvedere.survey.checking.neighbours import (
    SharedRows,
    SharedStep,
    half_width,
    height_of,
    shared_rows,
    shared_steps,
)

WANTED_OVERLAP = 1.0 / 3.0
"""What neighbours should share; common practice, no published source."""
USUAL_LEAST = 0.30
"""Under this an overlap is worth a word; common practice, no published source."""
MEASURED_TO = 0.02
"""How truly an overlap is measured, as a share of a frame: what benchmarks/check_geometry.py holds it to."""
_AND: dict[Grave, str] = {
    "reshoot": " for a frame between them",
    "risk": " for a frame between them, to be safe",
}
_MANY = 4  # joints too thin in one row, from which they are said in one sentence


def examine_overlap(checked: Checked, *, wanted: float = WANTED_OVERLAP) -> tuple[Finding, ...]:
    """Look for joints that overlap too little, frames that are missing, and blocks that do not join.

    Parameters
    ----------
    checked : Checked
        The set.
    wanted : float
        The overlap that was planned, as a share of a frame.

    Returns
    -------
    tuple of Finding
        "missing": reshoot. "overlap": reshoot under 15 %, a risk under 30 % (or 90 % of what was planned, if
        that is less). From the top row down, from left to right; then what could not be placed.
    """
    if not checked.alignment.used:
        return ()
    grid = head_grid(checked.alignment)
    least = min(USUAL_LEAST, 0.9 * wanted) - MEASURED_TO
    found: list[Finding] = []
    steps = shared_steps(grid)
    for number in range(len(grid.rows)):
        own = [s for s in steps if s.step.row == number]
        gaps = [s for s in own if lacks_frames(s)]
        found += [_gap(checked.frames, grid, missing_within(grid, s), s) for s in gaps]
        thin = [s for s in own if s.overlap < least and s not in gaps]
        if len(thin) >= _MANY and 2 * len(thin) > len(own):
            found.append(_thin_row(checked.frames, grid, thin, len(own), wanted))
        else:
            found += [_thin_step(checked.frames, grid, s, wanted) for s in thin]
    found += [_end(checked.frames, grid, m) for m in _first_of_ends(missing_at_ends(grid))]
    found += _rows(checked.frames, grid, wanted, least)
    found += apart(checked.frames, checked.alignment, grid)
    return tuple(found)


def _gap(
    frames: Sequence[Frame], grid: HeadGrid, missing: Sequence[MissingFrame], shared: SharedStep
) -> Finding:
    closing = closes_by_tag(frames, grid, shared)
    first = missing[0]
    count = len(missing)
    what = "a frame is missing" if count == 1 else f"{count} frames are missing"
    words = (
        f"{_in_row(grid, first.row)}between {pair_words(frames, shared.a, shared.b)}: {what}; turn "
        f"{turn_words(first.turn, first.lift)} of {frame_words(frames, first.near)}{_then(count, first.turn)}"
    )
    if closing is not None:
        words += (
            f"; they lie {degrees(shared.step.turn)} apart, but by the tagged focal length the turn closes "
            f"and they share {percent(closing)}: if both show the same things, only the match failed"
        )
    return Finding(
        "missing",
        "reshoot",
        (shared.a, shared.b),
        words,
        {
            "row": float(first.row),
            "column": float(first.column),
            "count": float(count),
            "overlap_fraction": shared.overlap,
            "turn_deg": math.degrees(first.turn),
            "up_deg": math.degrees(first.lift),
        },
    )


def _then(count: int, turn: float) -> str:
    """The frames after the first of several."""
    return f", then {count - 1} more, every {degrees(turn)}" if count > 1 else ""


def _thin_step(frames: Sequence[Frame], grid: HeadGrid, shared: SharedStep, wanted: float) -> Finding:
    step = shared.step
    lift = (grid.poses[shared.b].pitch - grid.poses[shared.a].pitch) / 2.0
    grave: Grave = "reshoot" if shared.overlap < LEAST_OVERLAP else "risk"
    words = (
        f"{_in_row(grid, step.row)}between {pair_words(frames, shared.a, shared.b)}: overlap "
        f"{percent(shared.overlap)}, wanted {percent(wanted)}; turn {turn_words(step.turn / 2.0, lift)} of "
        f"frame {shared.a + 1}{_AND[grave]}"
    )
    return Finding(
        "overlap",
        grave,
        (shared.a, shared.b),
        words,
        {
            "row": float(step.row),
            "overlap_fraction": shared.overlap,
            "wanted_fraction": wanted,
            "turn_deg": math.degrees(step.turn / 2.0),
            "up_deg": math.degrees(lift),
        },
    )


def _thin_row(
    frames: Sequence[Frame], grid: HeadGrid, thin: Sequence[SharedStep], count: int, wanted: float
) -> Finding:
    """Most steps of a row too wide: the step itself is to be changed."""
    worst = min(thin, key=lambda s: s.overlap)
    row = worst.step.row
    step = float(np.median([s.step.turn for s in thin]))
    half = half_width(grid, worst.a)
    better = 2.0 * math.atan((1.0 - wanted) * math.tan(half))
    grave: Grave = "reshoot" if worst.overlap < LEAST_OVERLAP else "risk"
    remedy = "shoot the row again" if grave == "reshoot" else "next time turn less"
    words = (
        f"{_in_row(grid, row)}{len(thin)} of {count} overlaps are too small, the least "
        f"{percent(worst.overlap)} between {pair_words(frames, worst.a, worst.b)}, wanted "
        f"{percent(wanted)}; {remedy}: about {degrees(better)} from frame to frame, not {degrees(step)}"
    )
    return Finding(
        "overlap",
        grave,
        tuple(sorted({i for s in thin for i in (s.a, s.b)})),
        words,
        {
            "row": float(row),
            "count": float(len(thin)),
            "overlap_fraction": worst.overlap,
            "wanted_fraction": wanted,
            "step_deg": math.degrees(step),
            "turn_deg": math.degrees(better),
        },
    )


def _first_of_ends(missing: Sequence[MissingFrame]) -> list[tuple[MissingFrame, int]]:
    """The innermost missing frame of every end, and how many are missing there."""
    out: dict[tuple[int, str], list[MissingFrame]] = {}
    for m in missing:
        out.setdefault((m.row, m.end), []).append(m)
    return [(group[0], len(group)) for group in out.values()]


def _end(frames: Sequence[Frame], grid: HeadGrid, found: tuple[MissingFrame, int]) -> Finding:
    m, count = found
    what = "a frame" if count == 1 else f"{count} frames"
    words = (
        f"{_in_row(grid, m.row)}the {m.end} end is {what} short of the other rows; turn "
        f"{turn_words(m.turn, m.lift)} of {frame_words(frames, m.near)}{_then(count, m.turn)}"
    )
    return Finding(
        "missing",
        "reshoot",
        (m.near,),
        words,
        {
            "row": float(m.row),
            "column": float(m.column),
            "count": float(count),
            "turn_deg": math.degrees(m.turn),
            "up_deg": math.degrees(m.lift),
        },
    )


def _rows(frames: Sequence[Frame], grid: HeadGrid, wanted: float, least: float) -> list[Finding]:
    """Rows that overlap too little: a whole joint at once where most frames do, else frame by frame."""
    shares = shared_rows(grid)
    out: list[Finding] = []
    for upper in range(len(grid.rows) - 1):
        joint = [s for s in shares if {grid.row_of(s.frame), s.towards} == {upper, upper + 1}]
        low = [s for s in joint if s.overlap < least]
        if not low:
            continue
        if 2 * len(low) > len(joint):
            out.append(_thin_rows(frames, grid, upper, joint, wanted))
            continue
        said: set[int] = set()
        for s in sorted(low, key=lambda s: s.overlap):
            if s.frame not in said and s.nearest not in said:
                out.append(_thin_below(frames, grid, upper, s, wanted))
                said |= {s.frame, s.nearest}
    return out


def _thin_rows(
    frames: Sequence[Frame], grid: HeadGrid, upper: int, joint: Sequence[SharedRows], wanted: float
) -> Finding:
    overlap = float(sorted(s.overlap for s in joint)[len(joint) // 2])
    down = grid.rows[upper].pitch - grid.rows[upper + 1].pitch
    own = tuple(sorted(grid.rows[upper].frames + grid.rows[upper + 1].frames))
    height = height_of(grid.cameras[grid.rows[upper].frames[0]])
    count = max(1, math.ceil(down / (height * (1.0 - wanted)) - 0.15) - 1)
    step = down / (count + 1)
    what = "a row" if count == 1 else f"{count} rows"
    grave: Grave = "reshoot" if overlap < LEAST_OVERLAP else "risk"
    start = frame_words(frames, grid.rows[upper].frames[0])
    ask = "shoot" if grave == "reshoot" else "to be safe, shoot"
    words = (
        f"rows {upper + 1} and {upper + 2}: overlap {percent(overlap)}, wanted {percent(wanted)}; {ask} "
        f"{what} between them, {degrees(step)} down from row {upper + 1} (begin under {start})"
    )
    if overlap <= 0.0:
        lack, first = ("is", "it") if count == 1 else ("are", "the first")
        words = (
            f"rows {upper + 1} and {upper + 2} do not meet: {what} {lack} missing; shoot {first} "
            f"{degrees(step)} down from row {upper + 1} (begin under {start})"
        )
    return Finding(
        "missing" if overlap <= 0.0 else "overlap",
        grave,
        own,
        words,
        {
            "row": float(upper),
            "overlap_fraction": overlap,
            "wanted_fraction": wanted,
            "count": float(count),
            "up_deg": -math.degrees(step),
        },
    )


def _thin_below(frames: Sequence[Frame], grid: HeadGrid, upper: int, s: SharedRows, wanted: float) -> Finding:
    a, b = (s.frame, s.nearest) if grid.row_of(s.frame) == upper else (s.nearest, s.frame)
    lift = (grid.poses[b].pitch - grid.poses[a].pitch) / 2.0
    grave: Grave = "reshoot" if s.overlap < LEAST_OVERLAP else "risk"
    words = (
        f"between {frame_words(frames, a)} in row {upper + 1} and {frame_words(frames, b)} below it: overlap "
        f"{percent(s.overlap)}, wanted {percent(wanted)}; tilt {degrees(lift)} "
        f"{'down' if lift < 0.0 else 'up'} from frame {a + 1}{_AND[grave]}"
    )
    return Finding(
        "overlap",
        grave,
        (a, b),
        words,
        {
            "row": float(upper),
            "overlap_fraction": s.overlap,
            "wanted_fraction": wanted,
            "up_deg": math.degrees(lift),
        },
    )


def _in_row(grid: HeadGrid, row: int) -> str:
    return f"row {row + 1}, " if len(grid.rows) > 1 else ""
