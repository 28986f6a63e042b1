"""Which frames may see the same things, and which of their features are the same."""

from __future__ import annotations

from collections.abc import Sequence

import numba as nb
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import Features

_RATIO = 0.85  # nearest against second nearest (Lowe 2004 uses 0.8); the geometry is the judge after it.
_GLANCE = 400  # features of a frame used to find its likely partners
_PARTNERS, _LEAST_SCORE = 10, 4
_WORDS, _ALIKE = 1024, 24  # of the summary of a large set; frames that look most like one
_ROWS = 256  # frames whose likeness to all others is held at once
_FEW = 512  # features up to which a product is made in blocks
# Rows and columns of vectors of that length: 16 x 128 x 128 products, the most one thread makes (measured)
_BLOCK, _BLOCK_LENGTH = (16, 128), 128


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
    """Cosines of all pairs of unit vectors; of few, in one thread."""
    return np.asarray(a @ b.T) if len(a) > _FEW or len(b) > _FEW else _in_blocks(a, b)


def _in_blocks(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """Products of all pairs of vectors, in blocks so small that the matrix product stays in one thread.

    On a busy machine its threads wait for each other many times longer than they work.
    """
    out = np.empty((len(a), len(b)), dtype=np.float32)
    rows, columns = _BLOCK
    columns = max(1, columns * _BLOCK_LENGTH // max(_BLOCK_LENGTH, a.shape[1]))
    for column in range(0, len(b), columns):
        turned = np.ascontiguousarray(b[column : column + columns].T)
        for row in range(0, len(a), rows):
            out[row : row + rows, column : column + columns] = a[row : row + rows] @ turned
    return out


def likely_pairs(features: Sequence[Features]) -> list[tuple[int, int]]:
    """Pairs of frames worth a full match, from a glance at a spread few of their features.

    Neighbours in the series (one and two apart) are always in; beyond them, each frame's best partners.
    What is kept grows with the number of frames, never with its square.
    """
    n = len(features)
    few = [np.ascontiguousarray(f.descriptors[f.order[:_GLANCE]]) for f in features]
    every = n <= 60  # small sets: a glance at every pair
    pairs = [(i, j) for i in range(n) for j in range(i + 1, n)] if every else _pairs_by_summary(few)
    partners: list[list[tuple[int, int]]] = [[] for _ in range(n)]
    for i, j in pairs:
        if len(few[i]) > 1 and len(few[j]) > 1:
            score = len(_mutual(_in_blocks(few[i], few[j]), np.float32(_RATIO)))
            if score >= _LEAST_SCORE:
                partners[i].append((-score, j))
                partners[j].append((-score, i))
    chosen = {(i, i + step) for step in (1, 2) for i in range(n - step)}
    for i, own in enumerate(partners):
        chosen.update((min(i, j), max(i, j)) for _, j in sorted(own)[:_PARTNERS])
    return sorted(chosen)


def _pairs_by_summary(few: Sequence[NDArray[np.float32]]) -> list[tuple[int, int]]:
    """For large sets: the 24 frames that look most alike, and four neighbours in order on either side.

    Likeness by a bag of quantised features (Sivic & Zisserman 2003) over words drawn from the set itself.
    """
    rng = np.random.default_rng(0)
    filled = [d for d in few if len(d)]
    if not filled:
        return []
    words = _drawn(filled, rng)
    bags = np.zeros((len(few), len(words)), dtype=np.float32)
    for i, d in enumerate(few):
        if len(d):
            np.add.at(bags[i], np.argmax(_in_blocks(d, words), axis=1), np.float32(1.0))
    seen = np.maximum((bags > 0).sum(axis=0), 1)
    bags *= np.log(len(few) / seen + 1e-9).astype(np.float32)
    bags /= np.maximum(np.linalg.norm(bags, axis=1, keepdims=True), np.float32(1e-9))
    pairs: set[tuple[int, int]] = set()
    for start in range(0, len(few), _ROWS):
        likeness = _in_blocks(bags[start : start + _ROWS], bags)
        for i, row in enumerate(likeness, start=start):
            row[i] = -1.0
            near = np.argsort(-row, kind="stable")[:_ALIKE]
            pairs.update((min(i, int(j)), max(i, int(j))) for j in near)
            pairs.update((i, i + s) for s in range(1, 5) if i + s < len(few))
    return sorted(pairs)


def _drawn(filled: Sequence[NDArray[np.float32]], rng: np.random.Generator) -> NDArray[np.float32]:
    """Descriptors drawn from all frames, without a copy of them all."""
    ends = np.cumsum([len(d) for d in filled])
    total = int(ends[-1])
    drawn = rng.choice(total, size=min(_WORDS, total), replace=False)
    frame = np.searchsorted(ends, drawn, side="right")
    return np.stack([filled[f][k - ends[f]] for f, k in zip(frame, drawn, strict=True)])


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
