"""Strips with a free, rounded end in the outlines of a frame: what fingers are, and posts and windows too."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.survey.appearance.small_frame import SmallFrame

# Channels: weights of L, a and b (8-bit codes), least range worth a threshold, and how many thresholds evenly
# between the 1st and the 99th percentile. Mixed ones keep an object whole that light and shade would break.
_CHANNELS = (
    ((1.0, 0.0, 0.0), 12, 9),
    ((0.0, 1.0, 0.0), 6, 16),
    ((0.0, 0.0, 1.0), 6, 7),
    ((0.4, 0.6, 0.0), 8, 9),
    ((0.4, -0.6, 0.0), 8, 6),
)
_LEAST_POINTS = 10
_SHORTEST = 24  # px; an outline shorter than this is no finger
_NARROWEST, _WIDEST = 0.02, 0.22  # of a strip, in long sides of the frame
_ROUND = 10  # points to either side of an end within which its outline has turned
_ROOM = 900
_TWICE = 2  # thresholds at which a strip must show


Outline = tuple[int, NDArray[np.int32]]
"""Number of the threshold, and points (n, 2), x and y in px of the small frame."""


def outlines(small: SmallFrame) -> list[Outline]:
    """Outlines of a frame at thresholds of its colour channels."""
    found: list[Outline] = []
    for c, (weights, least, number) in enumerate(_CHANNELS):
        shift = 128.0 - 128.0 * sum(weights)
        mixed = cv2.transform(small.lab8, np.array([[*weights, shift]]))
        channel = np.ascontiguousarray(mixed.reshape(small.lab8.shape[:2]))
        below = np.cumsum(np.bincount(channel.ravel(), minlength=256))
        low, high = (int(np.searchsorted(below, share * below[-1])) for share in (0.01, 0.99))
        if high - low < least:
            continue
        levels = sorted({low + (high - low) * (q + 1) // (number + 1) for q in range(number)})
        for q, level in enumerate(levels):
            _, over = cv2.threshold(channel, level, 255, cv2.THRESH_BINARY)
            lines, _ = cv2.findContours(over, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            found += [
                (20 * c + q, np.asarray(line.reshape(-1, 2), dtype=np.int32))
                for line in lines
                if len(line) >= _LEAST_POINTS
            ]
    return found


def find_strips(lines: list[Outline], width: int, height: int) -> NDArray[np.float64]:
    """Find the strips that several thresholds agree on.

    Parameters
    ----------
    lines : list of Outline
        As `outlines` gives them.
    width, height : int
        Of the frame, px.

    Returns
    -------
    strips : ndarray (n, 7), float64
        x and y of the free end, width, length (all px), the unit vector (x, y) from the base to the free end,
        and at how many thresholds it showed. Sorted by that number, falling.
    """
    long = max(width, height)
    points, ends, levels = packed([(level, line) for level, line in lines if len(line) >= _SHORTEST])
    seen = np.zeros((_ROOM, 7))
    count = _strips_of_all(points, ends, levels, width, height, _NARROWEST * long, _WIDEST * long, seen)
    return np.asarray(_agreed(seen[:count], _TWICE), dtype=np.float64)


def packed(lines: list[Outline]) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int64]]:
    """Outlines one after the other: all points (n, 2), where each outline ends, and its threshold."""
    points = np.concatenate([line for _, line in lines]) if lines else np.zeros((0, 2), np.int32)
    ends = np.cumsum([len(line) for _, line in lines], dtype=np.int64)
    return points, ends, np.array([level for level, _ in lines], dtype=np.int64)


@njit(cache=True, nogil=True)
def _strips_of_all(points, ends, levels, width, height, narrowest, widest, out):  # type: ignore[no-untyped-def]
    """Strips of packed outlines, in `out`; how many."""
    count = 0
    begin = 0
    for k in range(len(ends)):
        line = points[begin : ends[k]]
        count = _strips_of(line, width, height, narrowest, widest, levels[k], out, count)
        begin = ends[k]
    return count


@njit(cache=True, nogil=True)
def _strips_of(line, width, height, narrowest, widest, level, out, count):  # type: ignore[no-untyped-def]
    """Add the strips of one outline to `out`: equal steps to both sides of an end keep their distance."""
    n = line.shape[0]
    xs = np.empty(n)
    ys = np.empty(n)
    for i in range(n):
        a = 0.0
        b = 0.0
        for j in range(-2, 3):
            q = (i + j) % n
            a += line[q, 0]
            b += line[q, 1]
        xs[i] = a / 5.0
        ys[i] = b / 5.0
    along = np.zeros(3 * n + 1)
    for i in range(3 * n):
        p = i % n
        q = (i + 1) % n
        along[i + 1] = along[i] + math.sqrt((xs[q] - xs[p]) ** 2 + (ys[q] - ys[p]) ** 2)
    half = n // 2 - 1
    across = np.zeros(max(half, 1) + 1)
    aspect = np.zeros(n)
    kept = np.zeros((n, 4))
    for s in range(n):
        c = s + n
        if half > _ROUND:  # most points lie on flanks: steps that go straight on are seen at once
            p = (s - _ROUND) % n
            q = (s + _ROUND) % n
            if (xs[p] - xs[q]) ** 2 + (ys[p] - ys[q]) ** 2 > (1.57 * _ROUND) ** 2:
                continue
        for i in range(1, half):
            p = s - i if s >= i else s - i + n
            q = s + i if s + i < n else s + i - n
            x1, y1, x2, y2 = xs[p], ys[p], xs[q], ys[q]
            w = math.sqrt((x1 - x2) ** 2 + (y1 - y2) ** 2)
            across[i] = w
            if w > widest or (
                i >= _ROUND and w > 1.57 * i
            ):  # too wide, or still going straight on: no end here
                break
            if min(min(x1, x2), min(y1, y2)) < 0.9 or max(x1, x2) > width - 1.9 or max(y1, y2) > height - 1.9:
                break
            if w < narrowest or i < 4:
                continue
            flank = 0.5 * (along[c + i] - along[c - i])
            if flank < 1.9 * w:
                continue
            if flank > 6.5 * w:
                break
            low = w
            high = w
            for t in range(5):
                u = across[int(i * (0.5 + 0.1 * t))]
                low = min(low, u)
                high = max(high, u)
            if low < 0.62 * high:
                continue
            ax = xs[s] - 0.5 * (x1 + x2)
            ay = ys[s] - 0.5 * (y1 + y2)
            length = math.sqrt(ax * ax + ay * ay)
            if length < 1.4 * w or length / w <= aspect[s]:
                continue
            if abs(ax * (x1 - x2) + ay * (y1 - y2)) > 0.35 * length * w:
                continue
            j = int(i * 0.4)
            pj = (s - j) % n
            qj = (s + j) % n
            one = math.sqrt((x2 - xs[qj]) ** 2 + (y2 - ys[qj]) ** 2) / (along[c + i] - along[c + j])
            two = math.sqrt((x1 - xs[pj]) ** 2 + (y1 - ys[pj]) ** 2) / (along[c - j] - along[c - i])
            if min(one, two) < 0.92:  # flanks must be straight
                continue
            aspect[s] = length / w
            kept[s, 0] = w
            kept[s, 1] = length
            kept[s, 2] = ax / length
            kept[s, 3] = ay / length
    for s in range(n):
        if aspect[s] == 0.0 or count >= out.shape[0]:
            continue
        reach = int(kept[s, 0] * 1.2) + 1
        best = True
        for j in range(-reach, reach + 1):
            q = (s + j) % n
            if aspect[q] > aspect[s] or (aspect[q] == aspect[s] and j < 0):
                best = False
                break
        if best:
            out[count, 0] = xs[s]
            out[count, 1] = ys[s]
            for u in range(4):
                out[count, 2 + u] = kept[s, u]
            out[count, 6] = level
            count += 1
    return count


@njit(cache=True, nogil=True)
def _agreed(seen, least):  # type: ignore[no-untyped-def]
    """One strip, the mean, for each end seen at `least` thresholds or more."""
    n = seen.shape[0]
    near = np.zeros((n, n), np.bool_)
    support = np.zeros(n)
    for i in range(n):
        levels = np.zeros(128, np.bool_)
        for j in range(n):
            away = math.sqrt((seen[i, 0] - seen[j, 0]) ** 2 + (seen[i, 1] - seen[j, 1]) ** 2)
            cosine = seen[i, 4] * seen[j, 4] + seen[i, 5] * seen[j, 5]
            if away < 0.6 * seen[i, 2] and cosine > 0.93 and abs(math.log(seen[i, 2] / seen[j, 2])) < 0.4:
                near[i, j] = True
                if not levels[int(seen[j, 6])]:
                    levels[int(seen[j, 6])] = True
                    support[i] += 1
    taken = np.zeros(n, np.bool_)
    out = np.zeros((n, 7))
    count = 0
    while True:
        b = -1
        for i in range(n):
            if not taken[i] and support[i] >= least and (b < 0 or support[i] > support[b]):
                b = i
        if b < 0:
            break
        members = 0
        for j in range(n):
            if near[b, j]:
                members += 1
                for u in range(6):
                    out[count, u] += seen[j, u]
            away = math.sqrt((seen[b, 0] - seen[j, 0]) ** 2 + (seen[b, 1] - seen[j, 1]) ** 2)
            if away < 0.6 * seen[b, 2] and seen[b, 4] * seen[j, 4] + seen[b, 5] * seen[j, 5] > 0.8:
                taken[j] = True
        for u in range(6):
            out[count, u] /= members
        size = math.sqrt(out[count, 4] ** 2 + out[count, 5] ** 2)
        out[count, 4] /= size
        out[count, 5] /= size
        out[count, 6] = support[b]
        count += 1
    return out[:count]
