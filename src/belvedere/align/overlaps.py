"""Which frames overlap, by their cameras alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera


def overlapping_pairs(
    frames: Sequence[int], cameras: Sequence[Camera], least: float = 0.02, margin: float = 0.0
) -> list[tuple[int, int]]:
    """Pairs of frames that share more than a share `least` of either's area, by a grid of 12 x 12 rays.

    With a `margin`, frames are taken as that much wider on every side (as a share of their size).
    """
    wide = [
        replace(
            c,
            width=round(c.width * (1 + 2 * margin)),
            height=round(c.height * (1 + 2 * margin)),
            principal_point=(
                c.principal_point[0] + c.width * margin,
                c.principal_point[1] + c.height * margin,
            ),
        )
        for c in cameras
    ]
    axes = np.stack([c.rotation[2] for c in cameras])
    reach = np.array([np.arctan(c.half_diagonal_px / c.focal_px) * 1.1 + 0.05 for c in wide])
    grids = [c.rays(frame_grid(c)) for c in wide]
    out = []
    for i in range(len(frames)):
        angle = np.arccos(np.clip(axes[i + 1 :] @ axes[i], -1.0, 1.0))
        for j in (i + 1 + np.flatnonzero(angle < reach[i] + reach[i + 1 :])).tolist():
            if max(overlap_fraction(grids[i], wide[j]), overlap_fraction(grids[j], wide[i])) > least:
                out.append((frames[i], frames[j]))
    return out


def overlap_fraction(rays: NDArray[np.float64], camera: Camera) -> float:
    """Share of rays that a camera sees."""
    return float(np.mean(camera.project(rays)[1]))


def frame_grid(camera: Camera, count: int = 12) -> NDArray[np.float64]:
    """(count^2, 2) positions spread over the frame, px."""
    x = (np.arange(count) + 0.5) / count * camera.width - 0.5
    y = (np.arange(count) + 0.5) / count * camera.height - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
