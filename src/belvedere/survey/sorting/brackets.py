"""Stepped exposures: every pose of a series shot the same number of times, each with another exposure."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from belvedere.align.start import Pair

_MOST = 9  # exposures of a bracket
_SAME_EV = 0.1
_STEP_EV = 0.25  # least difference between two exposures of a bracket
_SAME_POSE = 0.88  # overlap from which two frames count as one pose
_HOLDS = 0.7  # share of measured pairs within brackets that must be one pose


def find_brackets(
    order: Sequence[int],
    ev: Mapping[int, float | None],
    seconds: Mapping[int, float | None],
    overlap: Mapping[Pair, float],
) -> list[tuple[int, ...]]:
    """Find the poses of bracketed series among frames in the order shot.

    Exposures that repeat with a period of 2 to 9, all different within it, over at least two periods, are
    brackets where the frames of a period that could be compared show the same. Where a period begins is told
    by the same, then by the pauses between them, then by the first frame.

    Parameters
    ----------
    order : sequence of int
        Frames of one lens.
    ev, seconds : mapping of frame to float or None
        Light gathered, stops; time, s.
    overlap : mapping of (a, b) to float
        Measured overlaps, a < b.

    Returns
    -------
    poses : list of tuple of int
        Frames of every bracketed pose, in the order shot.
    """
    out: list[tuple[int, ...]] = []
    k = 0
    while k < len(order):
        found = _longest(order, k, ev, seconds, overlap)
        if found:
            out += found
            k = order.index(found[-1][-1]) + 1
        else:
            k += 1
    return out


def _longest(
    order: Sequence[int],
    start: int,
    ev: Mapping[int, float | None],
    seconds: Mapping[int, float | None],
    overlap: Mapping[Pair, float],
) -> list[tuple[int, ...]]:
    """The brackets that begin at a place, of the smallest period that holds; empty if none."""
    for n in range(2, _MOST + 1):
        run = _periodic(order, start, n, ev)
        if run < 2 * n:
            continue
        choices = []
        for phase in range(n):
            count = (run - phase) // n
            poses = [tuple(order[start + phase + n * c : start + phase + n * (c + 1)]) for c in range(count)]
            choices.append((_agreement(poses, overlap), _haste(poses, seconds), -phase, poses))
        same, _, phase, poses = max(choices, key=lambda c: c[:3])
        if phase == 0 and len(poses) >= 2 and same >= _HOLDS:
            return poses
    return []


def _periodic(order: Sequence[int], start: int, n: int, ev: Mapping[int, float | None]) -> int:
    """How many frames from a place on repeat the first n exposures; 0 where those do not all differ."""
    first = [ev[i] for i in order[start : start + n]]
    if len(first) < n or any(e is None for e in first):
        return 0
    told = sorted(e for e in first if e is not None)
    if any(b - a < _STEP_EV for a, b in itertools.pairwise(told)):
        return 0
    run = n
    while start + run < len(order):
        a, b = ev[order[start + run]], first[run % n]
        if a is None or b is None or abs(a - b) > _SAME_EV:
            break
        run += 1
    return run


def _agreement(poses: Sequence[tuple[int, ...]], overlap: Mapping[Pair, float]) -> float:
    """Share of the measured neighbours within poses that show the same, less those across poses that do."""
    within = _measured([(a, b) for p in poses for a, b in itertools.pairwise(p)], overlap)
    across = _measured([(p[-1], q[0]) for p, q in itertools.pairwise(poses)], overlap)
    if not within:
        return 0.0
    same = sum(v >= _SAME_POSE for v in within) / len(within)
    stood = sum(v >= _SAME_POSE for v in across) / len(across) if across else 0.0
    return same - 0.5 * stood


def _measured(pairs: Sequence[Pair], overlap: Mapping[Pair, float]) -> list[float]:
    keys = [(min(p), max(p)) for p in pairs]
    return [overlap[k] for k in keys if k in overlap]


def _haste(poses: Sequence[tuple[int, ...]], seconds: Mapping[int, float | None]) -> float:
    """How much longer the pauses between poses are than those within, s."""
    within = [_gap(seconds, a, b) for p in poses for a, b in itertools.pairwise(p)]
    across = [_gap(seconds, p[-1], q[0]) for p, q in itertools.pairwise(poses)]
    if not within or not across:
        return 0.0
    return round(sum(across) / len(across) - sum(within) / len(within), 3)


def _gap(seconds: Mapping[int, float | None], a: int, b: int) -> float:
    first, second = seconds[a], seconds[b]
    return 0.0 if first is None or second is None else second - first
