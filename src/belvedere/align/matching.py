"""Which frames may see the same things, and which of their features are the same."""

from __future__ import annotations

from collections.abc import Sequence

import numba as nb
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import Features

_RATIO = 0.85  # nearest against second nearest (Lowe 2004 uses 0.8); the geometry is the judge after it.
_GLANCE = 400  # features of a frame used to find its likely partners
_PARTNERS = 10
_FEW = 512  # features up to which a product is made in blocks
_BLOCK = (16, 128)  # rows and columns: 16 x 128 x 128 products, the most that stays in one thread (measured)


def match(a: Features, b: Features, *, ratio: float = _RATIO) -> NDArray[np.int64]:
    """Match the features of two frames: mutual nearest neighbours that pass the ratio test.

    Returns
    -------
    matches : ndarray of shape (n, 2), int64
        Indices into the features of `a` and `b`.
    """
    if len(a.points) < 2 or len(b.points) < 2:
        return np.empty((0, 2), dtype=np.int64)
    return np.asarray(_mutual(_likeness(a.descriptors, b.descriptors), np.float32(ratio)))


def _likeness(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cosines of all pairs of unit vectors.

    Of few, in blocks so small that the matrix product stays in one thread: on a busy machine its threads wait
    for each other many times longer than they work.
    """
    if len(a) > _FEW or len(b) > _FEW:
        return np.asarray(a @ b.T)
    out = np.empty((len(a), len(b)), dtype=np.float32)
    for column in range(0, len(b), _BLOCK[1]):
        turned = np.ascontiguousarray(b[column : column + _BLOCK[1]].T)
        for row in range(0, len(a), _BLOCK[0]):
            out[row : row + _BLOCK[0], column : column + _BLOCK[1]] = a[row : row + _BLOCK[0]] @ turned
    return out


def likely_pairs(features: Sequence[Features]) -> list[tuple[int, int]]:
    """Pairs of frames worth a full match, from a glance at a spread few of their features.

    Neighbours in the series (one and two apart) are always in; beyond them, each frame's best partners.
    """
    n = len(features)
    few = [np.ascontiguousarray(f.descriptors[f.order[:_GLANCE]]) for f in features]
    score = np.zeros((n, n))
    every = n <= 60  # small sets: a glance at every pair
    pairs = [(i, j) for i in range(n) for j in range(i + 1, n)] if every else _pairs_by_summary(few)
    for i, j in pairs:
        if len(few[i]) > 1 and len(few[j]) > 1:
            score[i, j] = score[j, i] = len(_mutual(few[i] @ few[j].T, np.float32(_RATIO)))
    chosen = {(i, i + step) for step in (1, 2) for i in range(n - step)}
    for i in range(n):
        best = np.argsort(-score[i], kind="stable")[:_PARTNERS]
        chosen.update((min(i, int(j)), max(i, int(j))) for j in best if score[i, j] >= 4)
    return sorted(chosen)


def _pairs_by_summary(few: Sequence[NDArray[np.float32]]) -> list[tuple[int, int]]:
    """For large sets: the 24 frames that look most alike, and four neighbours in order on either side.

    Likeness by a bag of quantised features (Sivic & Zisserman 2003) over words drawn from the set itself.
    """
    rng = np.random.default_rng(0)
    filled = [d for d in few if len(d)]
    if not filled:
        return []
    pool = np.concatenate(filled)
    words = pool[rng.choice(len(pool), size=min(1024, len(pool)), replace=False)]
    bags = np.zeros((len(few), len(words)))
    for i, d in enumerate(few):
        if len(d):
            np.add.at(bags[i], np.argmax(d @ words.T, axis=1), 1.0)
    seen = np.maximum((bags > 0).sum(axis=0), 1)
    bags *= np.log(len(few) / seen + 1e-9)
    bags /= np.maximum(np.linalg.norm(bags, axis=1, keepdims=True), 1e-9)
    likeness = bags @ bags.T
    np.fill_diagonal(likeness, -1.0)
    pairs: set[tuple[int, int]] = set()
    for i in range(len(few)):
        near = np.argsort(-likeness[i], kind="stable")[:24]
        pairs.update((min(i, int(j)), max(i, int(j))) for j in near)
        pairs.update((i, i + s) for s in range(1, 5) if i + s < len(few))
    return sorted(pairs)


@nb.njit(cache=True, nogil=True)
def _mutual(likeness: NDArray[np.float32], ratio: np.float32) -> NDArray[np.int64]:
    """Mutual best entries of a matrix of cosines whose angle-distance beats the second best by `ratio`."""
    rows, columns = likeness.shape
    best_row = np.zeros(columns, dtype=np.int64)
    top_row = np.full(columns, np.float32(-2.0))
    best_column = np.zeros(rows, dtype=np.int64)
    passes = np.zeros(rows, dtype=np.bool_)
    for i in range(rows):
        first, second, where = np.float32(-2.0), np.float32(-2.0), 0
        for j in range(columns):
            s = likeness[i, j]
            if s > first:
                second, first, where = first, s, j
            elif s > second:
                second = s
            if s > top_row[j]:
                top_row[j] = s
                best_row[j] = i
        best_column[i] = where
        # squared distances of unit vectors
        passes[i] = 2.0 - 2.0 * first < ratio * ratio * (2.0 - 2.0 * second)
    count = 0
    for i in range(rows):
        if passes[i] and best_row[best_column[i]] == i:
            count += 1
    out = np.empty((count, 2), dtype=np.int64)
    count = 0
    for i in range(rows):
        if passes[i] and best_row[best_column[i]] == i:
            out[count, 0], out[count, 1] = i, best_column[i]
            count += 1
    return out


def gate(inliers: int, matches_in_overlap: int) -> bool:
    """Whether a pair's agreeing matches outnumber chance (Brown & Lowe 2007, equation 13)."""
    return inliers > 8 + 0.3 * matches_in_overlap
