"""Patches of one frame found in another, at one level of their pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.patch_match import match_patch
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_MARGIN = 4  # px about a patch that its interpolation may reach


@dataclass(frozen=True, slots=True)
class Matched:
    """What became of patches, in px of the full frames.

    Parameters
    ----------
    a, b : ndarray of shape (n, 2), float64
        Positions in either frame.
    sigma : ndarray of shape (n,), float64
        One sigma of a coordinate of `b` against `a`.
    likeness : ndarray of shape (n,), float64
        Correlation of the two patches, -1 where the match failed.
    seen : ndarray of shape (n,), bool
        Whether frame b sees the place at all.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    sigma: NDArray[np.float64]
    likeness: NDArray[np.float64]
    seen: NDArray[np.bool_]


def match_patches(
    source: FrameSource,
    pair: tuple[int, int],
    cameras: tuple[Camera, Camera],
    points: NDArray[np.float64],
    level: int,
    half: int,
    search: int,
) -> Matched:
    """Find patches of frame a in frame b.

    Parameters
    ----------
    source : FrameSource
    pair : tuple of 2 int
        Frame indices (a, b).
    cameras : tuple of 2 Camera
        Of the full frames, right against each other to within `search` px of the level.
    points : ndarray of shape (n, 2)
        About where in frame a, px of the full frame; the patch's centre is the nearest px of the level.
    level : int
    half : int
        The patch is 2 half + 1 px of the level wide.
    search : int
        Largest shift expected, px of the level.
    """
    scale = 2.0**level
    a, b = (camera.scaled(level) if level else camera for camera in cameras)
    at = np.rint((points + 0.5) / scale - 0.5).astype(np.int64)
    there, affine, seen = transfer(at.astype(np.float64), a, b)
    sigma, likeness = np.zeros(len(at)), np.full(len(at), -1.0)
    for k in np.flatnonzero(seen):
        x, y = int(at[k, 0]), int(at[k, 1])
        if not (half <= x < a.width - half and half <= y < a.height - half):
            continue
        stretch = max(1.0, float(np.abs(affine[k]).sum(axis=1).max()))
        bx, by = math.floor(there[k, 0]), math.floor(there[k, 1])
        inner = math.ceil(half * stretch)
        if not (inner <= bx < b.width - inner and inner <= by < b.height - inner):
            continue
        extent = math.ceil((half + search + _MARGIN) * stretch)
        patch = _grey(source.window(pair[0], level, x - half, y - half, x + half + 1, y + half + 1))
        window = _grey(
            source.window(pair[1], level, bx - extent, by - extent, bx + extent + 1, by + extent + 1)
        )
        px, py = there[k, 0] - bx + extent, there[k, 1] - by + extent
        dx, dy, likeness[k], sigma[k] = match_patch(patch, window, px, py, affine[k], search)
        there[k] += dx, dy
    return Matched(_full(at, scale), _full(there, scale), sigma * scale, likeness, seen)


def transfer(
    points: NDArray[np.float64], a: Camera, b: Camera
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Where points of frame a fall in frame b, the local affine (n, 2, 2) there, and whether b sees them."""
    step = 4.0
    probes = np.stack([points, points + np.array([step, 0.0]), points + np.array([0.0, step])])
    there, seen = b.project(a.rays(probes))
    affine = np.stack([(there[1] - there[0]) / step, (there[2] - there[0]) / step], axis=-1)
    return there[0], affine, seen[0] & np.isfinite(affine).all(axis=(1, 2))


def _grey(window: NDArray[np.generic]) -> NDArray[np.float32]:
    """Luminance of codes, 0 to 255 whatever the depth (weights of ITU-R BT.601)."""
    grey = window.astype(np.float32) @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    return np.asarray(grey if window.dtype == np.uint8 else grey / np.float32(257.0))


def _full(at: NDArray[np.generic], scale: float) -> NDArray[np.float64]:
    """Positions of a level in px of the full frame."""
    return np.asarray((at.astype(np.float64) + 0.5) * scale - 0.5)
