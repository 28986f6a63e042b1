"""A chart of colour patches: many quads of one size, evenly spaced in two directions, of many colours."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.survey.appearance.finger_strips import Outline, packed
from belvedere.survey.appearance.joined_groups import joined_groups
from belvedere.survey.appearance.small_frame import SmallFrame

_LEAST, _MOST = 2.5, 40.0  # side of a patch, px
_FULL = 0.80  # of the quad about it that a patch's outline holds
_COMPACT = 0.55  # area against that of a square of the same outline: a first, quick look
_LONGEST = 1.7  # sides of a patch against each other
_APART = (0.85, 2.3)  # from patch to patch, in sides; outlines of holes lie a pixel outside
_NEAREST = 1.3
_ROOM = 150  # patches; no chart has more


def largest_chart(lines: list[Outline], small: SmallFrame) -> tuple[int, float]:
    """How many patches the largest chart has, and how far their a and b spread (RMS); (0, 0.0) if none.

    Parameters
    ----------
    lines : list of Outline
        Outlines of the frame at several thresholds.
    """
    places = _patches(lines)
    if len(places) < 2:
        return 0, 0.0
    x, y, side = places.T
    apart = np.hypot(x[:, None] - x, y[:, None] - y)
    mean = 0.5 * (side[:, None] + side)
    alike = (
        (np.abs(np.log(side[:, None] / side)) < 0.45)
        & (apart > _APART[0] * mean)
        & (apart < _APART[1] * mean)
    )
    # Only the nearest count: a diagonal of the lattice is 1.4 times as long.
    nearest = np.where(alike, apart, np.inf).min(axis=1)
    joined = alike & (apart < _NEAREST * np.minimum(nearest[:, None], nearest))
    best = (0, 0.0)
    for members in joined_groups(joined):
        if len(members) > best[0]:
            found = _even(places[members], joined[np.ix_(members, members)], small)
            best = max(best, found)
    return best


def _patches(lines: list[Outline]) -> NDArray[np.float64]:
    """Centre and side (x, y, side) of each quad, the largest of those about one centre."""
    points, ends, _ = packed([(level, line) for level, line in lines if len(line) <= 4 * _MOST])
    found = np.zeros((len(ends), 3))
    found = found[: _quads(points, ends, found)]
    places = found[np.lexsort((found[:, 1], found[:, 0], -found[:, 2]))]
    return np.asarray(places[: _apart(places, _ROOM)], dtype=np.float64)


@njit(cache=True, nogil=True)
def _quads(points, ends, out):  # type: ignore[no-untyped-def]
    """Centre and side of the outlines that fill the least rectangle about them, in `out`; how many."""
    count = 0
    begin = 0
    for k in range(len(ends)):
        line = points[begin : ends[k]]
        begin = ends[k]
        n = len(line)
        area = 0.0
        for i in range(n):
            j = i + 1 if i + 1 < n else 0
            area += line[i, 0] * line[j, 1] - line[j, 0] * line[i, 1]
        area = 0.5 * abs(area) + 0.5 * n + 1.0  # outlines run through pixel centres
        if area < _COMPACT * (0.25 * n + 1.0) ** 2:
            continue
        cx, cy, w, h = _least_rectangle(line)
        w += 1.0
        h += 1.0
        if min(w, h) >= _LEAST and max(w, h) <= min(_MOST, _LONGEST * min(w, h)) and area >= _FULL * w * h:
            out[count] = cx, cy, math.sqrt(w * h)
            count += 1
    return count


@njit(cache=True, nogil=True)
def _least_rectangle(line):  # type: ignore[no-untyped-def]
    """Centre and sides (x, y, w, h) of the rectangle of least area about points; a side lies on the hull."""
    top = line[:, 1].min()
    rows = line[:, 1].max() - top + 1
    ends = np.empty((2, rows))  # of each row: the hull holds no other points
    ends[0], ends[1] = np.inf, -np.inf
    for i in range(len(line)):
        r = line[i, 1] - top
        ends[0, r] = min(ends[0, r], line[i, 0])
        ends[1, r] = max(ends[1, r], line[i, 0])
    hull = np.empty((2 * rows, 2))
    n = 0
    for side in range(2):  # down along the left, up along the right
        first = n
        for step in range(rows):
            r = step if side == 0 else rows - 1 - step
            x, y = ends[side, r], float(r)
            while n - first >= 2 and (hull[n - 1, 0] - hull[n - 2, 0]) * (y - hull[n - 2, 1]) >= (
                hull[n - 1, 1] - hull[n - 2, 1]
            ) * (x - hull[n - 2, 0]):
                n -= 1
            hull[n, 0], hull[n, 1] = x, y
            n += 1
    best = np.inf
    cx = cy = wide = high = 0.0
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        dx, dy = hull[j, 0] - hull[i, 0], hull[j, 1] - hull[i, 1]
        long = math.sqrt(dx * dx + dy * dy)
        if long == 0.0:
            continue
        dx, dy = dx / long, dy / long
        u0 = v0 = np.inf
        u1 = v1 = -np.inf
        for k in range(n):
            u, v = hull[k, 0] * dx + hull[k, 1] * dy, hull[k, 1] * dx - hull[k, 0] * dy
            u0, u1, v0, v1 = min(u0, u), max(u1, u), min(v0, v), max(v1, v)
        if (u1 - u0) * (v1 - v0) < best:
            best, wide, high = (u1 - u0) * (v1 - v0), u1 - u0, v1 - v0
            u, v = 0.5 * (u0 + u1), 0.5 * (v0 + v1)
            cx, cy = u * dx - v * dy, u * dy + v * dx + top
    return cx, cy, wide, high


@njit(cache=True, nogil=True)
def _apart(places, most):  # type: ignore[no-untyped-def]
    """Move those that lie apart from all larger ones to the front, `most` at most; how many."""
    count = 0
    for i in range(len(places)):
        free = True
        for k in range(count):
            away = max(abs(places[i, 0] - places[k, 0]), abs(places[i, 1] - places[k, 1]))
            if away <= 0.5 * places[k, 2]:
                free = False
                break
        if free:
            places[count] = places[i]
            count += 1
            if count >= most:
                break
    return count


def _even(places: NDArray[np.float64], joined: NDArray[np.bool_], small: SmallFrame) -> tuple[int, float]:
    """(number, spread of colour) of patches that sit on a square lattice, or (0, 0.0)."""
    one, two = np.nonzero(np.triu(joined))
    if len(one) < 4:
        return 0, 0.0
    step = places[two, :2] - places[one, :2]
    # Steps along either axis of a lattice have one angle modulo 90 degrees.
    turn = np.exp(4j * np.arctan2(step[:, 1], step[:, 0]))
    axis = np.angle(turn.mean()) / 4.0
    right = np.abs(np.angle(turn * np.exp(-4j * axis))) / 4.0 < np.radians(9.0)
    members = np.unique(np.concatenate([one[right], two[right]]))
    if right.mean() < 0.5 or len(members) < 6:
        return 0, 0.0
    height, width = small.lab.shape[:2]
    column = np.clip(np.rint(places[members, 0]), 0, width - 1).astype(np.intp)
    row = np.clip(np.rint(places[members, 1]), 0, height - 1).astype(np.intp)
    colours = small.lab[row, column].astype(np.float64)
    hue = colours[:, 1:] - colours[:, 1:].mean(axis=0)
    return len(members), float(np.sqrt((hue**2).sum(axis=1).mean()))
