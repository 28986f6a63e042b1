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

    out = []
    for hamlet in range(9):
        middle = hamlet * 2.0 * math.pi / 9.0 + rng.normal(0.0, 0.08)
        for _ in range(int(rng.integers(3, 8))):
            yaw = middle + rng.normal(0.0, 0.09)
            width = rng.uniform(4.0, 7.5) / distance
            height = rng.uniform(7.0, 10.0) / distance
            low = min(foot(yaw - width), foot(yaw), foot(yaw + width)) - 0.0015 - rng.uniform(0.0, 0.006)
            out.append(Standing(HOUSE, yaw, low, distance, width, height, float(rng.random())))
        if hamlet == 0:
            low = min(foot(middle - 0.02), foot(middle), foot(middle + 0.02)) - 0.002
            out.append(Standing(CHURCH, middle, low, distance, 11.0 / distance, 29.0 / distance, 0.0))
        if hamlet in (1, 5, 8):
            low = foot(middle + 0.22) - 0.002
            out.append(
                Standing(LIGHTHOUSE, middle + 0.22, low, distance, 4.5 / distance, 27.0 / distance, 0.0)
            )
    dry = WATERLINES[_HEAD] + 0.018
    return [thing for thing in out if thing.foot > dry]
