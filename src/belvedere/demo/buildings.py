"""Where buildings stand in the place."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from belvedere.demo.place import DISTANCES_M, LAYERS, WATERLINES, Place, outlines
from belvedere.demo.standing import CHURCH, FACADE, FENCE, HOUSE, LIGHTHOUSE, Standing

_HEAD = LAYERS.index("head")
_FACADE_M = 60.0
_SAMPLES = 1 << 15


@lru_cache(maxsize=8)
def buildings(place: Place) -> tuple[Standing, ...]:
    """The place's buildings, far ones first: a village on the headland, or a facade and a fence."""
    out: list[Standing] = []
    if place.buildings:
        out += _village(place)
    if place.facade:
        wide = math.tan(math.radians(62.0))
        out.append(Standing(FACADE, 0.0, -0.13, _FACADE_M, wide, 0.36, 0.0))
        out.append(Standing(FENCE, 0.0, -0.26, _FACADE_M / 2.0, wide, 0.07, 0.0))
    return tuple(out)


def _village(place: Place) -> list[Standing]:
    """Houses in hamlets around the turn, a church in the first, a lighthouse by the shore."""
    edge = outlines(place, _SAMPLES)[_HEAD]
    distance = DISTANCES_M[_HEAD]
    rng = np.random.default_rng([place.seed, 0xB1D])

    def foot(yaw: float) -> float:
        return float(edge[round(yaw / (2.0 * math.pi) * _SAMPLES) % _SAMPLES])

    out: list[Standing] = []

    def build(
        kind: int, yaw: float, width_m: float, height_m: float, look: float = 0.0, sunk: float = 0.0
    ) -> None:
        width = width_m / 2.0 / distance
        low = min(foot(yaw - width), foot(yaw), foot(yaw + width)) - 0.0015 - sunk
        free = all(abs(yaw - other.yaw) > 1.1 * (width + other.half_width) for other in out)
        if free and low > WATERLINES[_HEAD] + 0.018:
            out.append(Standing(kind, yaw, low, distance, width, height_m / distance, look))

    for hamlet in range(9):
        middle = hamlet * 2.0 * math.pi / 9.0 + rng.normal(0.0, 0.08)
        if hamlet == 0:
            build(CHURCH, middle, 22.0, 29.0)
        if hamlet in (1, 5, 8):
            build(LIGHTHOUSE, middle + 0.22, 9.0, 27.0)
        for _ in range(int(rng.integers(4, 9))):
            yaw = middle + rng.normal(0.0, 0.10)
            size, height, look, sunk = rng.random(4)
            build(HOUSE, yaw, 8.0 + 7.0 * size, 7.0 + 3.0 * height, look, 0.006 * sunk)
    return out
