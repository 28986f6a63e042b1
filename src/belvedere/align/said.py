"""What the photographer said of the alignment, by frame index."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.options import AlignOptions

HorizonPoint = tuple[int, float, float]
"""A frame and (u, v) in it, px as displayed: a point of the horizon."""

PlumbLine = tuple[int, float, float, float, float]
"""A frame and (u0, v0), (u1, v1) in it, px as displayed: ends of a line that is plumb in the world."""


@dataclass(frozen=True, slots=True)
class SetTies:
    """Tie points set by hand between frames a < b.

    Parameters
    ----------
    points : ndarray of shape (n, 4), float64
        (u, v) in frame a and (u, v) in frame b, px as displayed.
    """

    a: int
    b: int
    points: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Said:
    """The photographer's word: frames left out and kept, tie points and what is level, all by frame index."""

    left_out: frozenset[int] = frozenset()
    keep: frozenset[int] = frozenset()
    ties: tuple[SetTies, ...] = ()
    horizon: tuple[HorizonPoint, ...] = ()
    plumb: tuple[PlumbLine, ...] = ()


def said_of(options: AlignOptions, names: Sequence[str]) -> Said:
    """Look up the frames that the options name; what names none of them (it was unreadable) has no say.

    Parameters
    ----------
    names : sequence of str
        What the options call the frames, one a frame.
    """
    at = {name: i for i, name in enumerate(names)}
    return Said(
        frozenset(at[name] for name in options.leave_out if name in at),
        frozenset(at[name] for name in options.keep if name in at),
        _ties(options, at),
        tuple((at[name], u, v) for name, u, v in options.horizon_points if name in at),
        tuple((at[name], u0, v0, u1, v1) for name, u0, v0, u1, v1 in options.plumb_lines if name in at),
    )


def _ties(options: AlignOptions, at: dict[str, int]) -> tuple[SetTies, ...]:
    """Ties by pair, in the order of the pairs; whoever is named first, a is the earlier frame."""
    by_pair: dict[tuple[int, int], list[NDArray[np.float64]]] = {}
    for given in options.tie_points:
        if given.a not in at or given.b not in at:
            continue
        a, b = at[given.a], at[given.b]
        points = np.array(given.points, dtype=np.float64).reshape(-1, 4)
        if a > b:
            a, b, points = b, a, points[:, [2, 3, 0, 1]]
        by_pair.setdefault((a, b), []).append(points)
    return tuple(SetTies(a, b, np.concatenate(by_pair[a, b])) for a, b in sorted(by_pair))
