"""A full turn knows its own width: a chain that misses its own beginning has the wrong focal length."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.links import Link, spanning_tree
from belvedere.geometry.rotation import vector_from_matrix

_MOST = 0.08  # by how much the focal length may be wrong: what overlaps alone leave open on real lenses
_LEAST_STEPS = 5


@dataclass(frozen=True, slots=True)
class OpenTurn:
    """A link that would close a turn if the focal length were `factor` times what it is."""

    link: Link
    factor: float


def find_open_turn(count: int, kept: Sequence[Link], lost: Sequence[Link]) -> OpenTurn | None:
    """The strongest link outside the block that misses only because all steps are a little wide or narrow.

    Steps of a turn add up to 2 pi; each is nearly in inverse proportion to the focal length (small angles:
    step = arctan(shift / focal length)), so their sum gives the focal length (Szeliski & Shum 1997,
    gap closing).
    """
    tree = spanning_tree(count, kept)
    for link in sorted(lost, key=lambda v: (-v.strength, v.a, v.b)):
        path = _path(count, tree, link.b, link.a)
        if path is None or len(path) + 1 < _LEAST_STEPS:
            continue
        turns = np.array([vector_from_matrix(link.rotation), *path])
        axis = turns.sum(axis=0)
        length = float(np.linalg.norm(axis))
        if length < 1e-9 or np.any(turns @ axis <= 0.0):
            continue  # not all one way round
        total = float(np.linalg.norm(turns, axis=1).sum())
        factor = total / (2.0 * math.pi)
        if abs(math.log(factor)) < _MOST:
            return OpenTurn(link, factor)
    return None


def _path(count: int, tree: Sequence[Link], start: int, end: int) -> list[NDArray[np.float64]] | None:
    """Rotation vectors of the steps from one frame to another along a tree, None where there is no way."""
    near: list[list[tuple[int, NDArray[np.float64]]]] = [[] for _ in range(count)]
    for v in tree:
        near[v.a].append((v.b, vector_from_matrix(v.rotation)))
        near[v.b].append((v.a, -vector_from_matrix(v.rotation)))
    came: dict[int, tuple[int, NDArray[np.float64]]] = {}
    stack, seen = [start], {start}
    while stack:
        i = stack.pop()
        for j, turn in near[i]:
            if j not in seen:
                seen.add(j)
                came[j] = (i, turn)
                stack.append(j)
    if end not in came:
        return None
    out = []
    while end != start:
        end, turn = came[end]
        out.append(turn)
    return out[::-1]
