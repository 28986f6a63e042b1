"""Which pairs are matched in full: found in small and large sets, in memory that grows as the frames do."""

from __future__ import annotations

import tracemalloc

import numpy as np

from belvedere.align.features import Features
from belvedere.align.matching import likely_pairs

SHARED = 40


def ring(count: int, far: int, own: int = 60) -> list[Features]:
    """Frames that share features with the next one and with the one `far` frames on, as rows do."""
    rng = np.random.default_rng(3)

    def drawn(n: int) -> np.ndarray:  # type: ignore[type-arg]
        some = np.abs(rng.standard_normal((n, 128), dtype=np.float32)) ** 3
        return some / np.linalg.norm(some, axis=1, keepdims=True)

    blocks = [drawn(SHARED) for _ in range(count)]
    frames = []
    for i in range(count):
        parts = [
            blocks[i],
            drawn(own),
            *([blocks[i - 1]] if i else []),
            *([blocks[i - far]] if i >= far else []),
        ]
        descriptors = np.concatenate(parts)
        n = len(descriptors)
        frames.append(Features(rng.uniform(0, 500, (n, 2)), descriptors, np.arange(n), 1.0))
    return frames


def wanted(count: int, far: int) -> set[tuple[int, int]]:
    return {(i, i + s) for s in (1, far) for i in range(count - s)}


def test_pairs_far_apart_in_the_order_shot_are_found_in_small_and_large_sets() -> None:
    for count, far in ((20, 7), (90, 31)):
        pairs = likely_pairs(ring(count, far))
        assert set(pairs) >= wanted(count, far)
        assert pairs == sorted(set(pairs))
        assert all(i < j for i, j in pairs)
        assert len(pairs) < 12 * count


def test_frames_without_features_are_no_trouble() -> None:
    empty = Features(np.empty((0, 2)), np.empty((0, 128), np.float32), np.empty(0, np.int64), 1.0)
    assert likely_pairs([empty] * 70) == sorted({(i, i + s) for s in (1, 2) for i in range(70 - s)})
    frames = ring(70, 20)
    frames[30] = empty
    assert {(i, j) for i, j in wanted(70, 20) if 30 not in (i, j)} <= set(likely_pairs(frames))


def test_what_is_kept_does_not_grow_as_the_square_of_the_frames() -> None:
    one = ring(2, 1, own=2)[1]
    frames = [
        Features(one.points[:4], np.roll(one.descriptors[:4], k % 128, axis=1), np.arange(4), 1.0)
        for k in range(1500)
    ]
    likely_pairs(frames[:70])
    tracemalloc.start()
    likely_pairs(frames)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8 * 1500**2  # one matrix of all pairs
