"""Links between frames: verified pair rotations, whether they agree, and the block's rotations from them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.pair_rotation import fit_rotation
from belvedere.geometry.rotation import vector_from_matrix

_BY_HAND = 1e4  # strength of the photographer's word, above any number of matches
_TRUST_BY_HAND = 300.0  # agreeing matches that it weighs at least


@dataclass(frozen=True, slots=True)
class Link:
    """A verified pair a < b: ray_b = rotation @ ray_a, and the matches that agree.

    Parameters
    ----------
    matches : ndarray of shape (n, 2), int64
        All matches of the pair (feature indices).
    inliers : ndarray of shape (n,), bool
        Those that agree with the rotation.
    rival : float
        Score of the best other rotation over this one's, 0 to 1.
    by_hand : int
        Tie points the photographer set; with any, the link holds whatever contradicts it.
    """

    a: int
    b: int
    rotation: NDArray[np.float64]
    matches: NDArray[np.int64]
    inliers: NDArray[np.bool_]
    rival: float
    by_hand: int = 0

    @property
    def strength(self) -> float:
        """How far it can be trusted: agreeing matches, less where a rival is near; by hand, beyond others."""
        return self.trust + (_BY_HAND if self.by_hand else 0.0)

    @property
    def trust(self) -> float:
        """Its weight beside other links."""
        agreeing = float(np.count_nonzero(self.inliers)) * (1.0 - 0.7 * self.rival)
        return max(agreeing, _TRUST_BY_HAND) if self.by_hand else agreeing


def _forest(count: int) -> tuple[Callable[[int], int], Callable[[int, int], None]]:
    """Disjoint sets of 0 .. count - 1: the root of an element, and the union of two."""
    parent = list(range(count))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    def join(i: int, j: int) -> None:
        parent[root(i)] = root(j)

    return root, join


def components(count: int, links: Sequence[Link]) -> list[list[int]]:
    """Frames that hang together, largest first, then by first index."""
    return components_of_pairs(count, [(link.a, link.b) for link in links])


def components_of_pairs(count: int, pairs: Iterable[Sequence[int]]) -> list[list[int]]:
    """What hangs together of 0 .. count - 1 by pairs, largest first, then by first index."""
    root, join = _forest(count)
    for a, b in pairs:
        join(int(a), int(b))
    groups: dict[int, list[int]] = {}
    for i in range(count):
        groups.setdefault(root(i), []).append(i)
    return sorted(groups.values(), key=lambda g: (-len(g), g[0]))


def spanning_tree(count: int, links: Sequence[Link]) -> list[Link]:
    """The strongest links that hang the frames together without a loop (Kruskal 1956)."""
    root, join = _forest(count)
    tree = []
    for link in sorted(links, key=lambda v: (-v.strength, v.a, v.b)):
        if root(link.a) != root(link.b):
            join(link.a, link.b)
            tree.append(link)
    return tree


def chain_rotations(count: int, tree: Sequence[Link]) -> NDArray[np.float64]:
    """World-to-camera rotations (count, 3, 3) by walking a tree from the first frame of every part."""
    near: dict[int, list[tuple[int, NDArray[np.float64]]]] = {}
    for link in tree:
        near.setdefault(link.a, []).append((link.b, link.rotation))
        near.setdefault(link.b, []).append((link.a, link.rotation.T))
    out = np.tile(np.eye(3), (count, 1, 1))
    done = np.zeros(count, dtype=bool)
    for seed in range(count):
        if done[seed]:
            continue
        done[seed] = True
        stack = [seed]
        while stack:
            i = stack.pop()
            for j, r in near.get(i, []):
                if not done[j]:
                    out[j] = r @ out[i]
                    done[j] = True
                    stack.append(j)
    return out


def link_errors(rotations: NDArray[np.float64], links: Sequence[Link]) -> NDArray[np.float64]:
    """Angle in rad by which every link's rotation differs from the block's."""
    out = np.empty(len(links))
    for k, link in enumerate(links):
        error = link.rotation @ rotations[link.a] @ rotations[link.b].T
        out[k] = np.linalg.norm(vector_from_matrix(error))
    return out


def average_rotations(
    rotations: NDArray[np.float64], links: Sequence[Link], *, tolerance: float, rounds: int = 30
) -> NDArray[np.float64]:
    """Rotations that agree best with all links, robustly.

    Each frame in turn takes the weighted mean of what its neighbours say of it (Weiszfeld-like reweighting:
    Hartley, Aftab, Trumpf, L1 rotation averaging, CVPR 2011), with Geman-McClure weights of scale
    `tolerance`.
    """
    out = rotations.copy()
    near: dict[int, list[tuple[int, NDArray[np.float64], float]]] = {}
    for link in links:
        near.setdefault(link.b, []).append((link.a, link.rotation, link.trust))
        near.setdefault(link.a, []).append((link.b, link.rotation.T, link.trust))
    for _ in range(rounds):
        moved = 0.0
        for i in sorted(near):
            says = np.stack([r @ out[j] for j, r, _ in near[i]])
            trust = np.array([s for _, _, s in near[i]])
            apart = np.array([np.linalg.norm(vector_from_matrix(s @ out[i].T)) for s in says])
            w = trust / (1.0 + (apart / tolerance) ** 2) ** 2
            if w.sum() <= 0:
                continue
            mean = fit_rotation(np.eye(3), np.einsum("k,kij->ij", w, says).T / w.sum())
            moved = max(moved, float(np.linalg.norm(vector_from_matrix(mean @ out[i].T))))
            out[i] = mean
        if moved < 1e-6:
            break
    return out


def consistent(
    count: int, links: Sequence[Link], *, tolerance: float
) -> tuple[NDArray[np.float64], list[Link], list[Link]]:
    """Rotations of the block, the links that agree with them and those that do not.

    Loops must close: the strongest tree is taken, averaged with all links, and links off by more than
    `tolerance` rad are put aside; a link that contradicts two or more others through three-cycles loses
    its strength before the tree is built.
    """
    doubted = _contradicted(links, tolerance)
    trusted = [v for k, v in enumerate(links) if not doubted[k]]
    if len(components(count, trusted)) > len(components(count, links)):
        trusted = list(links)  # the doubted ones are needed to hang together
    rotations = chain_rotations(count, spanning_tree(count, trusted))
    rotations = average_rotations(rotations, trusted, tolerance=tolerance)
    error = link_errors(rotations, links)
    kept = [v for v, e in zip(links, error, strict=True) if e <= tolerance or v.by_hand]
    lost = [v for v, e in zip(links, error, strict=True) if e > tolerance and not v.by_hand]
    return rotations, kept, lost


def _contradicted(links: Sequence[Link], tolerance: float) -> NDArray[np.bool_]:
    """Links whose three-cycles fail more often than they close."""
    by_pair = {(v.a, v.b): k for k, v in enumerate(links)}
    near: dict[int, set[int]] = {}
    for v in links:
        near.setdefault(v.a, set()).add(v.b)
        near.setdefault(v.b, set()).add(v.a)
    good, bad = np.zeros(len(links)), np.zeros(len(links))

    def turn(i: int, j: int) -> NDArray[np.float64]:
        return links[by_pair[i, j]].rotation if i < j else links[by_pair[j, i]].rotation.T

    for (i, j), k in by_pair.items():
        for m in sorted(near[i] & near[j]):
            if m <= j:
                continue
            error = np.linalg.norm(vector_from_matrix(turn(m, i) @ turn(j, m) @ turn(i, j)))
            ks = (k, by_pair[i, m], by_pair[j, m])
            for q in ks:
                if error < 1.5 * tolerance:
                    good[q] += 1
                else:
                    bad[q] += 1
    by_hand = np.array([v.by_hand > 0 for v in links], dtype=bool)
    return np.asarray((bad > np.maximum(1.0, 1.5 * good)) & ~by_hand)
