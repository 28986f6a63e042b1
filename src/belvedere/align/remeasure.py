"""Tie points measured again at full resolution, once the cameras are nearly right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_match import match_patches
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_HALF = 9  # the patch is 19 x 19 px
_LIKENESS = 0.7
_LEAST_SIGMA_PX = (
    0.05  # least-squares matching is rarely better in practice: common practice, no published source
)
_SHARP_PX = 0.15  # one sigma, up to which a detail is sharp enough; else it is tried at coarser levels
_LEVELS = 3  # tried: in noise a detail is plainer where noise is averaged
_LEAST_SEARCH = 2
_CELLS = 12


@dataclass(frozen=True, slots=True)
class Measured:
    """Tie points of a pair after measuring again.

    Parameters
    ----------
    a, b : ndarray of shape (n, 2), float64
        Positions in either frame, px.
    sigma : ndarray of shape (n,), float64
        One sigma of a coordinate of `b` against `a`, px.
    tried : int
        How many were tried; `len(a) / tried` is the share found again.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    sigma: NDArray[np.float64]
    tried: int


def spread(points: NDArray[np.float64], most: int) -> NDArray[np.int64]:
    """Indices of at most `most` points, spread over the area they fill; earlier ones first in each part."""
    if not len(points):
        return np.empty(0, dtype=np.int64)
    low, high = points.min(axis=0), points.max(axis=0)
    cell = ((points - low) / np.maximum(high - low, 1e-9) * _CELLS).astype(int).clip(0, _CELLS - 1)
    key = cell[:, 1] * _CELLS + cell[:, 0]
    by_cell = np.argsort(key, kind="stable")
    rank = np.empty(len(points), dtype=np.int64)
    rank[by_cell] = np.arange(len(points)) - np.searchsorted(key[by_cell], key[by_cell])
    return np.asarray(np.sort(np.lexsort((np.arange(len(points)), rank))[:most]), dtype=np.int64)


def remeasure(
    source: FrameSource,
    pair: tuple[int, int],
    cameras: tuple[Camera, Camera],
    points: NDArray[np.float64],
    *,
    search: int,
) -> Measured:
    """Measure details of frame a again in frame b, at the finest level where they stand out of the noise.

    Parameters
    ----------
    source : FrameSource
        Frames at full resolution.
    pair : tuple of 2 int
        Frame indices (a, b).
    cameras : tuple of 2 Camera
        Their cameras, right to within `search` px.
    points : ndarray of shape (n, 2)
        Details in frame a, px.
    search : int
        Largest shift expected, px.

    Returns
    -------
    Measured
        Only those found with a correlation of at least 0.7.
    """
    at = np.unique(np.rint(points), axis=0)
    best = match_patches(source, pair, cameras, at, 0, _HALF, search)
    a, b, sigma = best.a, best.b, np.maximum(best.sigma, _LEAST_SIGMA_PX)
    found = best.likeness >= _LIKENESS
    for level in range(1, min(_LEVELS, *(source.levels(i) for i in pair))):
        weak = np.flatnonzero(best.seen & ~(found & (sigma <= _SHARP_PX)))
        if not len(weak):
            break
        scale = 2.0**level
        coarse = match_patches(
            source, pair, cameras, at[weak], level, _HALF, max(_LEAST_SEARCH, int(np.ceil(search / scale)))
        )
        unsure = np.maximum(coarse.sigma, _LEAST_SIGMA_PX * scale)
        better = (coarse.likeness >= _LIKENESS) & (~found[weak] | (unsure < sigma[weak]))
        k = weak[better]
        a[k], b[k], sigma[k], found[k] = coarse.a[better], coarse.b[better], unsure[better], True
    return Measured(a[found], b[found], sigma[found], int(np.count_nonzero(best.seen)))
