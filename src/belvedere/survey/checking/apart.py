"""Frames and blocks that meet the picture nowhere, and where the gap in front of them is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from belvedere.align.alignment import ON_REQUEST, Alignment
from belvedere.capture.frame import Frame
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import frame_words, listed, pair_words, turn_words
from belvedere.survey.checking.head_grid import HeadGrid
from belvedere.survey.checking.missing_frames import lacks_frames
from belvedere.survey.checking.neighbours import half_width, shared_steps


@dataclass(frozen=True, slots=True)
class _Gap:
    """Between a placed frame, at an end of its row, and the frame that was shot next to it."""

    near: int
    beyond: int
    turn: float


def apart(frames: Sequence[Frame], alignment: Alignment, grid: HeadGrid) -> list[Finding]:
    """What could not be placed: blocks of frames first, the largest first, then single frames.

    Where the frame shot just before or after stands at the end of its row, the gap is likely there.
    """
    unused = {i for i, p in enumerate(alignment.frames) if not p.used and p.reason != ON_REQUEST}
    blocks = [tuple(sorted(i for i in block if i in unused)) for block in alignment.components]
    found = [_block(frames, grid, own) for own in blocks if len(own) > 1]
    unused -= {i for own in blocks if len(own) > 1 for i in own}
    reasons = {i: alignment.frames[i].reason or "it meets no other" for i in sorted(unused)}
    return found + [_single(frames, grid, i, reason) for i, reason in reasons.items()]


def _block(frames: Sequence[Frame], grid: HeadGrid, own: tuple[int, ...]) -> Finding:
    gaps = _gaps(grid, own)
    if not gaps:
        words = (
            f"{listed(frames, own)} overlap each other but not the rest: frames are missing between them and "
            "the others; shoot that stretch again, with an overlap of a third"
        )
        return Finding("missing", "reshoot", own, words, {"count": 1.0})
    places = " and ".join(pair_words(frames, *sorted((g.near, g.beyond))) for g in gaps)
    words = (
        f"between {places}: nothing of the one is found in the other, so at least a frame is missing; turn "
        f"{_pointing(frames, gaps)}, and half that to be sure; else {listed(frames, own)} meet the rest "
        "nowhere"
    )
    either = tuple(sorted({i for g in gaps for i in (g.near, g.beyond)}))
    turn = math.degrees(gaps[0].turn)
    numbers = {"count": float(len(gaps)), "turn_deg": turn, "from_frame": float(gaps[0].near)}
    return Finding("missing", "reshoot", either, words, numbers)


def _single(frames: Sequence[Frame], grid: HeadGrid, i: int, reason: str) -> Finding:
    words = f"{frame_words(frames, i)} cannot be placed: it {reason.removeprefix('it ')}"
    grave: Grave = "reshoot"
    gaps = _gaps(grid, (i,))
    numbers: dict[str, float] = {}
    lacking = _lacking_around(grid, i)
    if lacking is not None:
        grave = "note"
        words += f"; it is likely the one that is missing between {pair_words(frames, *lacking)}"
    elif _is_between(grid, i):
        grave = "risk"
        words += "; its neighbours overlap without it, so it may be left out"
    elif gaps:
        words += f"; shoot again from {_pointing(frames, gaps)}, with an overlap of a third"
        numbers = {"turn_deg": math.degrees(gaps[0].turn), "from_frame": float(gaps[0].near)}
    else:
        words += (
            "; shoot it again with an overlap of a third and something to recognise in it, or leave it out"
        )
    return Finding("stray", grave, (i,), words, numbers)


def _pointing(frames: Sequence[Frame], gaps: Sequence[_Gap]) -> str:
    return " and ".join(f"{turn_words(g.turn, 0.0)} of {frame_words(frames, g.near)}" for g in gaps)


def _neighbours(grid: HeadGrid, block: Sequence[int]) -> tuple[list[int], list[int]]:
    """The placed frame shot last before a block, and the one shot first after it; either may be wanting."""
    placed = sorted(grid.poses)
    return [i for i in placed if i < block[0]][-1:], [i for i in placed if i > block[-1]][:1]


def _gaps(grid: HeadGrid, block: Sequence[int]) -> list[_Gap]:
    """Where a block that was shot on with the rows would begin and end."""
    before, after = _neighbours(grid, block)
    out = []
    for near, beyond, shot_on in [(i, block[0], 1.0) for i in before] + [(i, block[-1], -1.0) for i in after]:
        row = grid.rows[grid.row_of(near)]
        if row.closed or not row.in_one_piece:  # over the zenith no row goes on to the right
            continue
        way = shot_on * _way(grid, near)
        at_end = near in row.places[-1 if way > 0.0 else 0].frames
        if way != 0.0 and at_end:
            step = row.step if math.isfinite(row.step) else 4.0 / 3.0 * half_width(grid, near)
            out.append(_Gap(near, beyond, way * step))
    return out


def _way(grid: HeadGrid, frame: int) -> float:
    """+1 where the frame's row was shot to the right, -1 to the left, 0 where that cannot be told."""
    row = grid.rows[grid.row_of(frame)]
    shot = np.array([place.frames[0] for place in row.places], dtype=np.float64)
    return float(np.sign(np.median(np.diff(shot)))) if len(shot) > 1 else 0.0


def _lacking_around(grid: HeadGrid, frame: int) -> tuple[int, int] | None:
    """The neighbours between which a frame is missing, where they were shot before and after this one."""
    before, after = _neighbours(grid, (frame,))
    for s in shared_steps(grid) if before and after else ():
        if {before[0], after[0]} <= {*s.step.left.frames, *s.step.right.frames} and lacks_frames(s):
            return s.a, s.b
    return None


def _is_between(grid: HeadGrid, frame: int) -> bool:
    """Whether the frames shot before and after a frame are neighbours that lack nothing between them."""
    before, after = _neighbours(grid, (frame,))
    if not before or not after:
        return False
    return any(
        {before[0], after[0]} <= {*s.step.left.frames, *s.step.right.frames} and not lacks_frames(s)
        for s in shared_steps(grid)
    )
