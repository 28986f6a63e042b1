"""How far each place of a sensor stands out of its neighbours of the same colour in one frame.

A place is held against the second largest and the second smallest of its eight nearest of one colour: along
an edge or a line one of them is as bright as it is, and one neighbour may be faulty itself. By how much is
counted in units of noise or, where neighbours differ by more than noise, of their spread.
"""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import isqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.filter_pattern import FilterPattern

BLOCK = 64
"""Side of the blocks in which places that stand out of one frame are counted, px."""
CAP = 6.0
"""Units beyond which standing out counts no more, and from which it is called strong."""
BAR = 2.0
"""Units that a frame must show to speak for a fault; less speaks against it."""
UNIT = 4
"""Steps of the scores to a unit."""

_SPREAD = 0.4  # of the neighbours' range that counts as their spread
_DEAD = 0.1  # of the darkest neighbours' light: a place that gives less stands out whatever the detail
_CALM = 1.5  # spread over noise from which not standing out speaks less against a fault: it may be hidden
LEAST_AGAINST = 0.3
"""Share of its weight that it keeps."""
_SAMPLED = 100_000  # places of a colour, about, that noise is read from
_CALM_SHARE = 0.05  # of the places at each level that noise is read from
_CALM_RANGE = 0.656  # mean of that share of ranges of eight unit normals, second to seventh; drawn 4e6 times
_BINS = 40
_LEAST_VARIANCE = 0.25  # codes are whole numbers
_LEAST_IN_BIN = 400


@dataclass(frozen=True, slots=True)
class Levels:
    """Codes of no light, of each colour, and of a full well.

    Parameters
    ----------
    black : tuple of 3 float
        Of red, green, blue.
    white : float
    """

    black: tuple[float, float, float]
    white: float


def noise_of(mosaic: NDArray[np.uint16], pattern: FilterPattern, levels: Levels) -> NDArray[np.float64]:
    """Noise of each colour as variance a + b (code - black), in codes squared: (3, 2), a and b.

    Taken from the calmest places at each level, and b from the level that gives the least: detail of the
    scene only ever adds. Read noise is therefore told too small, which the neighbours' own spread makes good.
    """
    out = np.empty((3, 2))
    colours, offsets = pattern.as_array(), pattern.neighbours()
    margin = int(np.abs(offsets).max())
    rows, columns = pattern.period
    every = max(1, isqrt(mosaic.size // _SAMPLED))
    for colour in range(3):
        levels_seen: list[NDArray[np.float64]] = []
        ranges: list[NDArray[np.float64]] = []
        for r, c in zip(*np.nonzero(colours == colour), strict=True):
            y = np.arange(r + rows * -(-margin // rows), mosaic.shape[0] - margin, rows * every)
            x = np.arange(c + columns * -(-margin // columns), mosaic.shape[1] - margin, columns * every)
            around = np.stack([mosaic[np.ix_(y + dy, x + dx)].ravel() for dy, dx in offsets[r, c]])
            around.sort(axis=0)
            levels_seen.append(around[2:6].mean(axis=0) - levels.black[colour])
            ranges.append((around[6] - around[1]).astype(np.float64))
        out[colour] = _fit_noise(np.concatenate(levels_seen), np.concatenate(ranges), levels, colour)
    return out


def _fit_noise(
    light: NDArray[np.float64], span: NDArray[np.float64], levels: Levels, colour: int
) -> tuple[float, float]:
    """a and b of variance a + b light, from how far calm neighbours differ at each level."""
    full = max(levels.white - levels.black[colour], 1.0)
    fine = light < 0.9 * full
    light, span = light[fine], span[fine]
    place = np.sqrt(np.clip(light / full, 0.0, 1.0)) * _BINS
    order = np.argsort(place.astype(np.int64), kind="stable")
    bounds = np.searchsorted(place.astype(np.int64)[order], np.arange(_BINS + 1))
    bins = [order[a:b] for a, b in pairwise(bounds) if b - a >= _LEAST_IN_BIN]
    x, variance = [], []
    for own in bins or ([order] if order.size >= 1.0 / _CALM_SHARE else []):
        calm = np.sort(span[own])[: round(_CALM_SHARE * own.size)]
        x.append(max(float(light[own].mean()), 0.0))
        variance.append(max(float(calm.mean()) / _CALM_RANGE, 0.5) ** 2)
    if not x:
        return 1.0, 0.0
    slopes = (np.array(variance) - _LEAST_VARIANCE) / np.maximum(np.array(x), 1.0)
    return _LEAST_VARIANCE, float(max(slopes.min(), 0.0))


def add_scores(
    mosaic: NDArray[np.uint16],
    pattern: FilterPattern,
    levels: Levels,
    hot: NDArray[np.int8],
    dark: NDArray[np.int8],
    strong: NDArray[np.int32],
) -> None:
    """Add one frame's evidence.

    Parameters
    ----------
    mosaic : ndarray of shape (height, width), uint16
        What the sensor read out, as stored.
    hot, dark : ndarray of shape (height, width), int8
        To which (units it stands out by, -1 to CAP) less BAR is added in steps of 1 / UNIT, for places
        brighter, darker than their neighbours; nothing where the frame cannot tell. A margin is left out.
    strong : ndarray of shape (2, rows, columns), int32
        To which the places of each block are added that stand out by CAP or more, brighter and darker.
    """
    offsets = pattern.neighbours()
    _add_scores(
        mosaic,
        offsets,
        pattern.as_array(),
        noise_of(mosaic, pattern, levels),
        np.array(levels.black),
        levels.white,
        int(np.abs(offsets).max()),
        hot,
        dark,
        strong,
    )


@njit(cache=True, nogil=True)
def _add_scores(
    mosaic: NDArray[np.uint16],
    offsets: NDArray[np.int64],
    colours: NDArray[np.int64],
    noise: NDArray[np.float64],
    black: NDArray[np.float64],
    white: float,
    margin: int,
    hot: NDArray[np.int8],
    dark: NDArray[np.int8],
    strong: NDArray[np.int32],
) -> None:
    height, width = mosaic.shape
    rows, columns = colours.shape
    flat = mosaic.ravel()
    for y in range(margin, height - margin):
        for phase in range(columns):
            first = margin + (phase - margin) % columns
            step = offsets[y % rows, phase]
            d0, d1 = step[0, 0] * width + step[0, 1], step[1, 0] * width + step[1, 1]
            d2, d3 = step[2, 0] * width + step[2, 1], step[3, 0] * width + step[3, 1]
            d4, d5 = step[4, 0] * width + step[4, 1], step[5, 0] * width + step[5, 1]
            d6, d7 = step[6, 0] * width + step[6, 1], step[7, 0] * width + step[7, 1]
            colour = colours[y % rows, phase]
            a, b = np.float32(noise[colour, 0]), np.float32(noise[colour, 1])
            zero = np.float32(black[colour])
            ceiling = zero + np.float32(0.95) * (np.float32(white) - zero)
            for x in range(first, width - margin, columns):
                at = y * width + x
                v = np.float32(flat[at])
                second, next_small = _second_of(
                    np.int32(flat[at + d0]),
                    np.int32(flat[at + d1]),
                    np.int32(flat[at + d2]),
                    np.int32(flat[at + d3]),
                    np.int32(flat[at + d4]),
                    np.int32(flat[at + d5]),
                    np.int32(flat[at + d6]),
                    np.int32(flat[at + d7]),
                )
                above, below = np.float32(second), np.float32(next_small)
                spread = np.float32(_SPREAD) * (above - below)
                noisy = np.float32(np.sqrt(a + b * max(below - zero, np.float32(0.0))))
                calm = min(
                    max(np.float32(_CALM) * noisy / max(spread, noisy), np.float32(LEAST_AGAINST)),
                    np.float32(1.0),
                )
                unit = max(noisy, spread)
                if above < ceiling:
                    z = (v - above) / unit
                    if z >= CAP:
                        strong[0, y // BLOCK, x // BLOCK] += 1
                    hot[y, x] = _added(hot[y, x], z, calm)
                if below - zero > 2.0 * CAP * noisy:  # else there is no light that could be missing
                    z = (below - v) / unit
                    if v - zero < np.float32(_DEAD) * (below - zero):
                        z = np.float32(CAP)
                    if z >= CAP:
                        strong[1, y // BLOCK, x // BLOCK] += 1
                    dark[y, x] = _added(dark[y, x], z, calm)


@njit(inline="always")
def _added(sum_: int, z: float, calm: float) -> int:
    """A place's sum with one frame's evidence added, held within eight bits."""
    units = (min(z, np.float32(CAP)) - np.float32(BAR)) if z > 0.0 else -np.float32(BAR + 1.0)
    if units < 0.0:
        units *= calm
    return np.int8(min(max(np.int32(sum_) + np.int32(np.floor(units * np.float32(UNIT))), -127), 127))


@njit(inline="always")
def _second_of(n0: int, n1: int, n2: int, n3: int, n4: int, n5: int, n6: int, n7: int) -> tuple[int, int]:
    """The second largest and the second smallest of eight."""
    a, b = max(n0, n1), min(n0, n1)
    c, d = max(n2, n3), min(n2, n3)
    e, f = max(n4, n5), min(n4, n5)
    g, h = max(n6, n7), min(n6, n7)
    top, under = max(a, c), max(min(a, c), max(b, d))
    top2, under2 = max(e, g), max(min(e, g), max(f, h))
    low, over = min(b, d), min(max(b, d), min(a, c))
    low2, over2 = min(f, h), min(max(f, h), min(e, g))
    return max(min(top, top2), max(under, under2)), min(max(low, low2), min(over, over2))
