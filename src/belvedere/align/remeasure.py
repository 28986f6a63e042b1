"""Tie points measured again at full resolution, once the cameras are nearly right."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.patch_match import match_patch
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_HALF = 9  # the patch is 19 x 19 px
_LIKENESS = 0.7
_LEAST_SIGMA_PX = (
    0.05  # least-squares matching is rarely better in practice: common practice, no published source
)
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


def transfer(
    points: NDArray[np.float64], a: Camera, b: Camera
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Where points of frame a fall in frame b, the local affine (n, 2, 2) there, and whether b sees them."""
    step = 4.0
    probes = np.stack([points, points + np.array([step, 0.0]), points + np.array([0.0, step])])
    there, seen = b.project(a.rays(probes))
    affine = np.stack([(there[1] - there[0]) / step, (there[2] - there[0]) / step], axis=-1)
    return there[0], affine, seen[0] & np.isfinite(affine).all(axis=(1, 2))


def remeasure(
    source: FrameSource,
    pair: tuple[int, int],
    cameras: tuple[Camera, Camera],
    points: NDArray[np.float64],
    *,
    search: int,
) -> Measured:
    """Measure details of frame a again in frame b.

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
    at = np.unique(np.rint(points).astype(np.int64), axis=0)
    predicted, affine, seen = transfer(at.astype(np.float64), *cameras)
    reach = _HALF + search + 4
    rows_a, rows_b, sigma = [], [], []
    width, height = source.size(pair[0], 0)
    for k in np.flatnonzero(seen):
        x, y = int(at[k, 0]), int(at[k, 1])
        if x < _HALF or y < _HALF or x >= width - _HALF or y >= height - _HALF:
            continue
        extent = int(np.ceil(reach * max(1.0, np.abs(affine[k]).sum(axis=1).max())))
        bx, by = int(np.floor(predicted[k, 0])), int(np.floor(predicted[k, 1]))
        patch = grey_window(source.window(pair[0], 0, x - _HALF, y - _HALF, x + _HALF + 1, y + _HALF + 1))
        window = grey_window(
            source.window(pair[1], 0, bx - extent, by - extent, bx + extent + 1, by + extent + 1)
        )
        dx, dy, likeness, s = match_patch(
            patch, window, predicted[k, 0] - bx + extent, predicted[k, 1] - by + extent, affine[k], search
        )
        if likeness >= _LIKENESS:
            rows_a.append((x, y))
            rows_b.append((predicted[k, 0] + dx, predicted[k, 1] + dy))
            sigma.append(max(s, _LEAST_SIGMA_PX))
    n = len(rows_a)
    return Measured(
        np.array(rows_a, dtype=np.float64).reshape(n, 2),
        np.array(rows_b, dtype=np.float64).reshape(n, 2),
        np.array(sigma, dtype=np.float64),
        int(np.count_nonzero(seen)),
    )


def grey_window(window: NDArray[np.generic]) -> NDArray[np.float32]:
    """Luminance of codes, 0 to 255 whatever the depth (weights of ITU-R BT.601)."""
    grey = window.astype(np.float32) @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    return np.asarray(grey if window.dtype == np.uint8 else grey / np.float32(257.0))
