"""A chart of colour patches: many quads of one size, evenly spaced in two directions, of many colours."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.finger_strips import Outline
from belvedere.survey.appearance.joined_groups import joined_groups
from belvedere.survey.appearance.small_frame import SmallFrame

_LEAST, _MOST = 2.5, 40.0  # side of a patch, px
_FULL = 0.80  # of the quad about it that a patch's outline holds
_COMPACT = 0.55  # area against that of a square of the same outline: a first, quick look
_LONGEST = 1.7  # sides of a patch against each other
_APART = (0.85, 2.3)  # from patch to patch, in sides; outlines of holes lie a pixel outside
_NEAREST = 1.3


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
    found = []
    for _, line in lines:
        if len(line) > 4 * _MOST:
            continue
        area = cv2.contourArea(line) + 0.5 * len(line) + 1.0  # outlines run through pixel centres
        if area < _COMPACT * (0.25 * len(line) + 1.0) ** 2:
            continue
        (cx, cy), (w, h), _ = cv2.minAreaRect(line)
        w, h = w + 1.0, h + 1.0
        if min(w, h) >= _LEAST and max(w, h) <= min(_MOST, _LONGEST * min(w, h)) and area >= _FULL * w * h:
            found.append((cx, cy, (w * h) ** 0.5))
    places = np.array(sorted(found, key=lambda q: (-q[2], q[0], q[1])), dtype=np.float64).reshape(-1, 3)
    kept: list[int] = []
    for i, (cx, cy, _) in enumerate(places):
        if all(max(abs(cx - places[k, 0]), abs(cy - places[k, 1])) > 0.5 * places[k, 2] for k in kept):
            kept.append(i)
        if len(kept) >= 150:
            break
    return places[kept]


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
