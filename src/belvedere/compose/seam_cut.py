"""Cut the coarse grid into the frames' parts so that no seam shows where it can be helped."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose.seam_cost import DISAGREEMENT_UNIT, KEPT, SLOPE_UNIT, Candidates

BUCKETS = 256
"""Weights of edges run from 0 (no seam would show) to BUCKETS - 1."""

_FULL = 1.5  # difference (square root of light) of the heaviest weight
_BLOCK = 32  # nodes: size of the neighbourhoods whose usual difference is taken
_USUAL = 5.0  # times the upper quartile of the differences around: what texture and noise alone reach
_TEXTURE = 1.0  # times the median step between nodes: all that texture can explain
_MOST_USUAL = 0.06  # beyond this a difference counts however usual it is (square root of light)
_SPREAD = 2  # nodes around a difference that are kept with it
_FADE = 0.7  # weight of a node next to a difference, as a share of it
_RIDGE = 4.0  # a difference at a frame's border weighs this much more than one where both are equal
_SMALL = 400  # nodes: patches smaller than this go to the frame around them if that has all of them


FREE = np.int16(-2)
"""Stands in `fixed` for a node that is still to be labelled."""


def cut(
    found: Candidates, wraps: bool, noise: float, fixed: NDArray[np.int16] | None = None
) -> tuple[NDArray[np.int16], NDArray[np.uint8]]:
    """Label every node with a frame that covers it.

    Parameters
    ----------
    found : Candidates
    wraps : bool
        Whether column 0 follows the last column.
    noise : float
        Least difference that counts, square root of light; raised (to `_MOST_USUAL` at most) where the
        differences all around are large, so that texture does not drown what really moved.
    fixed : ndarray of int16 (rows, columns) or None
        Labels that nodes have already and keep, or `FREE`; None: all are free.

    Returns
    -------
    labels : ndarray of int16 (rows, columns)
        -1 where no frame is possible.
    weights : ndarray of uint8, same shape
        How much a seam would show at every node, 0: not at all.
    """
    weights = _weights(found, wraps, noise)
    edges = _sorted_edges(weights, wraps)
    rows, columns = weights.shape
    sets = found.frames.reshape(-1, KEPT).copy()
    if fixed is not None:
        held = fixed.reshape(-1)
        sets[held != FREE] = -1
        sets[held != FREE, 0] = held[held != FREE]
    parent = np.arange(rows * columns, dtype=np.int32)
    _unite(edges, columns, rows, sets, parent)
    labels = _choose(sets, parent, found.merits.reshape(-1, KEPT)).reshape(rows, columns)
    for _ in range(3):
        if not _absorb(labels, sets, parent, wraps, _SMALL):
            break
    return labels, weights


def _weights(found: Candidates, wraps: bool, noise: float) -> NDArray[np.uint8]:
    """How much a seam would show at every node, 0 to BUCKETS - 1, spread over the neighbourhood."""
    floor = _floors(found, noise)
    out = np.zeros(found.disagreement.shape, np.uint8)
    _weigh(found.disagreement, found.merits, floor, _FULL / DISAGREEMENT_UNIT, out)
    for _ in range(_SPREAD):
        out = _spread(out, wraps)
    return out


def _floors(found: Candidates, noise: float) -> NDArray[np.float32]:
    """Difference (`DISAGREEMENT_UNIT`) that says nothing in every block of `_BLOCK` x `_BLOCK` nodes.

    Raised above the noise where differences are usual all around and the place is textured enough to
    explain them; a step of tone in a plain sky is not explained by anything.
    """
    rows, columns = found.disagreement.shape
    blocks = (-(-rows // _BLOCK), -(-columns // _BLOCK))
    floors = np.full(blocks, noise / DISAGREEMENT_UNIT, np.float32)
    reach = _BLOCK // 2
    for j, i in np.ndindex(blocks):
        part = (
            slice(max(j * _BLOCK - reach, 0), (j + 1) * _BLOCK + reach),
            slice(max(i * _BLOCK - reach, 0), (i + 1) * _BLOCK + reach),
        )
        shared = found.frames[part][..., 1] >= 0
        there = found.disagreement[part][shared]
        if there.size >= _BLOCK:
            quartile = (3 * there.size) // 4
            usual = _USUAL * DISAGREEMENT_UNIT * float(np.partition(there, quartile)[quartile])
            texture = _TEXTURE * SLOPE_UNIT * float(np.median(found.slope[part][shared]))
            floors[j, i] = max(noise, min(usual, texture, _MOST_USUAL)) / DISAGREEMENT_UNIT
    return floors


@njit(cache=True, nogil=True)
def _weigh(
    disagreement: NDArray[np.uint16],
    merits: NDArray[np.uint8],
    floors: NDArray[np.float32],
    full: float,
    out: NDArray[np.uint8],
) -> None:
    h, w = out.shape
    for j in range(h):
        for i in range(w):
            d = float(disagreement[j, i]) - floors[j // _BLOCK, i // _BLOCK]
            if d > 0.0:
                a, b = float(merits[j, i, 0]), float(merits[j, i, 1])
                d *= 1.0 + _RIDGE * (a - b) / max(a + b, 1.0)
                out[j, i] = 1 + int((BUCKETS - 2) * np.sqrt(min(d / full, 1.0)))


@njit(cache=True, nogil=True)
def _spread(weights: NDArray[np.uint8], wraps: bool) -> NDArray[np.uint8]:
    h, w = weights.shape
    out = weights.copy()
    for j in range(h):
        for i in range(w):
            best = 0
            for dj in (-1, 0, 1):
                y = j + dj
                if y < 0 or y >= h:
                    continue
                for di in (-1, 0, 1):
                    x = i + di
                    if wraps:
                        x %= w
                    elif x < 0 or x >= w:
                        continue
                    best = max(best, int(weights[y, x]))
            out[j, i] = max(int(out[j, i]), int(best * _FADE))
    return out


@njit(cache=True, nogil=True)
def _sorted_edges(weights: NDArray[np.uint8], wraps: bool) -> NDArray[np.int64]:
    """Edges of weight above 0, heaviest first, then in scan order: 2 node + (0: to the right, 1: down)."""
    h, w = weights.shape
    count = np.zeros(BUCKETS + 1, np.int64)
    for turn in range(2):
        if turn == 1:
            start = np.zeros(BUCKETS + 1, np.int64)
            total = 0
            for b in range(BUCKETS - 1, 0, -1):
                start[b] = total
                total += count[b]
            out = np.empty(total, np.int64)
        for j in range(h):
            for i in range(w):
                for down in range(2):
                    if down == 0:
                        if i + 1 < w:
                            other = weights[j, i + 1]
                        elif wraps and w > 1:
                            other = weights[j, 0]
                        else:
                            continue
                    else:
                        if j + 1 >= h:
                            continue
                        other = weights[j + 1, i]
                    b = int(max(weights[j, i], other))
                    if b == 0:
                        continue
                    if turn == 0:
                        count[b] += 1
                    else:
                        out[start[b]] = 2 * (j * w + i) + down
                        start[b] += 1
    return out


@njit(cache=True, nogil=True)
def _root(parent: NDArray[np.int32], node: int) -> int:
    while parent[node] != node:
        parent[node] = parent[parent[node]]
        node = parent[node]
    return node


@njit(cache=True, nogil=True)
def _other_end(edge: int, h: int, w: int) -> int:
    node = edge >> 1
    if edge & 1:
        return node + w
    return node + 1 if (node + 1) % w != 0 else node + 1 - w


@njit(cache=True, nogil=True)
def _unite(
    edges: NDArray[np.int64], w: int, h: int, sets: NDArray[np.int16], parent: NDArray[np.int32]
) -> None:
    """Kruskal: join what an edge links wherever at least one frame can own both sides.

    A root's `sets` row holds the frames possible for all of its nodes; frames that are not are -1, the
    others stay in their slots.
    """
    size = np.ones(parent.shape[0], np.int32)
    for edge in edges:
        a = _root(parent, edge >> 1)
        b = _root(parent, _other_end(edge, h, w))
        if a == b:
            continue
        if size[b] > size[a] or (size[b] == size[a] and b < a):
            a, b = b, a
        shared = 0
        for s in range(KEPT):
            f = sets[a, s]
            if f >= 0:
                for t in range(KEPT):
                    if sets[b, t] == f:
                        shared |= 1 << s
        if shared == 0:
            continue
        for s in range(KEPT):
            if not shared >> s & 1:
                sets[a, s] = -1
        parent[b] = a
        size[a] += size[b]


@njit(cache=True, nogil=True)
def _choose(
    sets: NDArray[np.int16], parent: NDArray[np.int32], merits: NDArray[np.uint8]
) -> NDArray[np.int16]:
    """Give every component the possible frame with the greatest sum of merit; ties to the lower index."""
    n = parent.shape[0]
    number = np.full(n, -1, np.int32)
    members = np.zeros(n, np.int32)
    for p in range(n):
        members[_root(parent, p)] += 1
    count = 0
    for p in range(n):
        if parent[p] == p and members[p] > 1:
            number[p] = count
            count += 1
    sums = np.zeros((count, KEPT), np.int64)
    for p in range(n):
        r = _root(parent, p)
        if number[r] < 0:
            continue
        for s in range(KEPT):
            f = sets[r, s]
            if f >= 0:
                for t in range(KEPT):
                    if sets[p, t] == f:
                        sums[number[r], s] += merits[p, t]
    labels = np.full(n, -1, np.int16)
    for p in range(n):
        r = _root(parent, p)
        if number[r] < 0:
            labels[p] = sets[r, 0]
            continue
        best = -1
        for s in range(KEPT):
            if sets[r, s] >= 0 and (
                best < 0
                or sums[number[r], s] > sums[number[r], best]
                or (sums[number[r], s] == sums[number[r], best] and sets[r, s] < sets[r, best])
            ):
                best = s
        labels[p] = sets[r, best] if best >= 0 else -1
    return labels


@njit(cache=True, nogil=True)
def _absorb(
    labels: NDArray[np.int16], sets: NDArray[np.int16], parent: NDArray[np.int32], wraps: bool, small: int
) -> bool:
    """Give small patches to the frame they border most, if it can own all of them; whether any was given.

    A component that is kept together lies in one patch, so that nothing is newly cut.
    """
    h, w = labels.shape
    n = h * w
    flat = labels.reshape(-1)
    seen = np.zeros(n, np.bool_)
    stack = np.empty(n, np.int32)
    changed = False
    near = np.empty(4, np.int64)
    for first in range(n):
        if seen[first] or flat[first] < 0:
            continue
        own = flat[first]
        stack[0] = first
        seen[first] = True
        length, at = 1, 0
        names = np.full(16, -1, np.int16)
        touches = np.zeros(16, np.int64)
        while at < length:
            p = stack[at]
            at += 1
            k = _neighbours(p, h, w, wraps, near)
            for q in near[:k]:
                if flat[q] == own:
                    if not seen[q]:
                        seen[q] = True
                        stack[length] = q
                        length += 1
                elif flat[q] >= 0:
                    for t in range(16):
                        if names[t] == flat[q] or names[t] < 0:
                            names[t] = flat[q]
                            touches[t] += 1
                            break
        if length >= small:
            continue
        for _ in range(16):
            best = -1
            for t in range(16):
                if touches[t] > 0 and (
                    best < 0
                    or touches[t] > touches[best]
                    or (touches[t] == touches[best] and names[t] < names[best])
                ):
                    best = t
            if best < 0:
                break
            fits = True
            for m in range(length):
                r = _root(parent, stack[m])
                ok = False
                for s in range(KEPT):
                    ok = ok or sets[r, s] == names[best]
                if not ok:
                    fits = False
                    break
            if fits:
                for m in range(length):
                    flat[stack[m]] = names[best]
                changed = True
                break
            touches[best] = 0
    return changed


@njit(cache=True, nogil=True)
def _neighbours(p: int, h: int, w: int, wraps: bool, out: NDArray[np.int64]) -> int:
    j, i = p // w, p % w
    k = 0
    if i > 0:
        out[k] = p - 1
        k += 1
    elif wraps and w > 1:
        out[k] = p + w - 1
        k += 1
    if i + 1 < w:
        out[k] = p + 1
        k += 1
    elif wraps and w > 1:
        out[k] = p + 1 - w
        k += 1
    if j > 0:
        out[k] = p - w
        k += 1
    if j + 1 < h:
        out[k] = p + w
        k += 1
    return k


@njit(cache=True, nogil=True)
def count_crossed(labels: NDArray[np.int16], weights: NDArray[np.uint8], wraps: bool) -> tuple[int, int]:
    """Length of the seams, in steps between nodes, and of that part with a significant difference beside."""
    h, w = labels.shape
    seam, crossed = 0, 0
    for j in range(h):
        for i in range(w):
            for down in range(2):
                if down == 0:
                    if i + 1 < w:
                        y, x = j, i + 1
                    elif wraps and w > 1:
                        y, x = j, 0
                    else:
                        continue
                else:
                    if j + 1 >= h:
                        continue
                    y, x = j + 1, i
                if labels[j, i] >= 0 and labels[y, x] >= 0 and labels[j, i] != labels[y, x]:
                    seam += 1
                    if weights[j, i] > 0 and weights[y, x] > 0:
                        crossed += 1
    return seam, crossed
