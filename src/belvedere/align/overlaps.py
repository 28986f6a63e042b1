"""Which frames overlap, by their cameras alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera

_WIDER = 1.3  # what lies farther out than this is not looked at closely
_NARROW = np.radians(20.0)
_ALIKE = 0.95  # cosine between the frames' x axes


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
    turns = np.stack([c.rotation for c in cameras])
    half = np.array([_half_angles(c) for c in wide])
    out = []
    for i in range(len(frames)):
        angle = np.arccos(np.clip(axes[i + 1 :] @ axes[i], -1.0, 1.0))
        near = i + 1 + np.flatnonzero(angle < reach[i] + reach[i + 1 :])
        for j in near[_may_meet(axes, turns, half, i, near)].tolist():
            if max(overlap_fraction(grids[i], wide[j]), overlap_fraction(grids[j], wide[i])) > least:
                out.append((frames[i], frames[j]))
    return out


def _half_angles(camera: Camera) -> tuple[float, float]:
    """Half the frame's angles of view and a good deal more, rad: distortion and lens shift may widen it."""
    return (
        _WIDER * float(np.arctan(0.5 * camera.width / camera.focal_px)),
        _WIDER * float(np.arctan(0.5 * camera.height / camera.focal_px)),
    )


def _may_meet(
    axes: NDArray[np.float64],
    turns: NDArray[np.float64],
    half: NDArray[np.float64],
    i: int,
    others: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Whether other frames come near frame i: not where, turned alike, they lie beside it or above it.

    Only frames of narrow angles are told apart so: others bend too much.
    """
    narrow = (half[others].max(axis=1) < _NARROW) & bool(half[i].max() < _NARROW)
    seen = axes[others] @ turns[i].T  # the others' sight lines in the axes of frame i
    alike = np.abs(np.einsum("k,nk->n", turns[i][0], turns[others][:, 0])) > _ALIKE
    across = np.abs(np.arctan2(seen[:, :2], np.maximum(seen[:, 2:], 1e-9)))
    apart = (across > half[i] + half[others]).any(axis=1)
    return np.asarray(~(narrow & alike & apart))


def overlap_fraction(rays: NDArray[np.float64], camera: Camera) -> float:
    """Share of rays that a camera sees."""
    return float(np.mean(camera.project(rays)[1]))


def frame_grid(camera: Camera, count: int = 12) -> NDArray[np.float64]:
    """(count^2, 2) positions spread over the frame, px."""
    x = (np.arange(count) + 0.5) / count * camera.width - 0.5
    y = (np.arange(count) + 0.5) / count * camera.height - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
