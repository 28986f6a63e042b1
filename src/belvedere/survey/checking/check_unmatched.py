"""Neighbours that overlap by their places, though nothing in the one was matched with the other."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

from belvedere.align.alignment import PairTies
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import degrees, listed, pair_words, percent, turn_words
from belvedere.survey.checking.head_grid import HeadGrid, head_grid
from belvedere.survey.checking.missing_frames import lacks_frames
from belvedere.survey.checking.neighbours import SharedStep, shared_steps

_LEAST_SHARE = 0.05  # of a frame that neighbours should share, from which details could have been matched
_CLOSELY = 3  # joints by way of which two frames hang together as well as by their own: over another row
_FEW_TIES = 20  # as in check_featureless: a frame with fewer is told there


def examine_unmatched(checked: Checked) -> tuple[Finding, ...]:
    """Look for neighbours in a row that the steps of the turn, or the frames all round, hold together.

    Returns
    -------
    tuple of Finding
        "overlap", risks: `overlap_fraction` is what the two should share, `turn_deg` half the turn between
        them; `sigma_px` how surely the one side stands against the other, where the turn alone tells.
    """
    alignment = checked.alignment
    if not alignment.used or not alignment.pairs:
        return ()
    grid = head_grid(alignment)
    return tuple(_one(checked, grid, s) for s in shared_steps(grid) if _is_unmatched(checked, s))


def frames_beyond(checked: Checked) -> frozenset[int]:
    """Frames that the turn alone places because a joint of theirs has no match, not for want of detail."""
    ties = tie_counts(checked.alignment.pairs, len(checked.frames))
    places = checked.alignment.frames
    return frozenset(
        i for i, p in enumerate(places) if p.used and p.placed_by == "grid" and ties[i] >= _FEW_TIES
    )


def tie_counts(pairs: Sequence[PairTies], count: int) -> list[int]:
    """How many tie points every frame has."""
    out = [0] * count
    for pair in pairs:
        out[pair.a] += len(pair.points_a)
        out[pair.b] += len(pair.points_b)
    return out


def _is_unmatched(checked: Checked, shared: SharedStep) -> bool:
    if lacks_frames(shared) or shared.overlap < _LEAST_SHARE:
        return False
    ties = tie_counts(checked.alignment.pairs, len(checked.frames))
    if min(ties[shared.a], ties[shared.b]) < _FEW_TIES:
        return False
    left, right = set(shared.step.left.frames), set(shared.step.right.frames)
    beside: dict[int, set[int]] = {}
    for p in checked.alignment.pairs:
        if len(p.points_a):
            beside.setdefault(p.a, set()).add(p.b)
            beside.setdefault(p.b, set()).add(p.a)
    return not _within(beside, left, right, _CLOSELY)


def _within(beside: dict[int, set[int]], start: set[int], goal: set[int], joints: int) -> bool:
    """Whether frames hang together by at most so many joints."""
    seen, queue = set(start), deque((i, 0) for i in sorted(start))
    while queue:
        i, far = queue.popleft()
        if i in goal:
            return True
        if far < joints:
            for k in sorted(beside.get(i, set()) - seen):
                seen.add(k)
                queue.append((k, far + 1))
    return False


def _one(checked: Checked, grid: HeadGrid, shared: SharedStep) -> Finding:
    frames, a, b = checked.frames, shared.a, shared.b
    lift = (grid.poses[b].pitch - grid.poses[a].pitch) / 2.0
    held, numbers = "they hold together only by the frames all round", {}
    by_turn = sorted(frames_beyond(checked))
    if a in by_turn or b in by_turn:
        sigmas = [s for i in by_turn if (s := checked.alignment.frames[i].placement_sigma_px) is not None]
        sure = f", within about {max(sigmas):.0f} px" if sigmas else ""
        held = f"{listed(frames, by_turn)} stand where the steps of the turn have them{sure}"
        numbers = {"sigma_px": max(sigmas)} if sigmas else {}
    row = f"row {shared.step.row + 1}, " if len(grid.rows) > 1 else ""
    words = (
        f"{row}{pair_words(frames, a, b)} do not meet: no detail was matched, although by a turn of "
        f"{degrees(shared.step.turn)} they should share {percent(shared.overlap)}; {held}; to be safe, "
        f"shoot one between them, {turn_words(shared.step.turn / 2.0, lift)} of frame {a + 1}, with "
        "something in it that stands out and keeps still"
    )
    numbers |= {
        "row": float(shared.step.row),
        "overlap_fraction": shared.overlap,
        "turn_deg": math.degrees(shared.step.turn / 2.0),
    }
    return Finding("overlap", "risk", (a, b), words, numbers)
