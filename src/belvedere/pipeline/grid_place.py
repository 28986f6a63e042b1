"""Which place in the grid of rows and columns a missing frame would have had."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment


def empty_place(alignment: Alignment, yaw_deg: float, pitch_deg: float) -> tuple[int, int] | None:
    """(row, column) of the empty place between two frames of a row that looks nearest to a direction.

    None where no row has such a place, or the nearest looks farther away than its neighbours do.
    """
    t, p = math.radians(yaw_deg), math.radians(pitch_deg)
    wanted = np.array([math.cos(p) * math.sin(t), -math.sin(p), math.cos(p) * math.cos(t)])
    axes: dict[tuple[int, int], NDArray[np.float64]] = {}
    for placed in alignment.frames:
        if placed.camera is not None and placed.row is not None and placed.column is not None:
            axes[placed.row, placed.column] = placed.camera.rotation[2]
    best: tuple[float, tuple[int, int]] | None = None
    for row, column in sorted(axes):
        place, beyond = (row, column + 1), (row, column + 2)
        if place in axes or beyond not in axes:
            continue
        between = axes[row, column] + axes[beyond]
        length = float(np.linalg.norm(between))
        cosine = float(between @ wanted) / length if length > 0.0 else -1.0
        if cosine > length / 2.0 and (
            best is None or cosine > best[0]
        ):  # |a + b| / 2 = cos(half their angle)
            best = (cosine, place)
    return best[1] if best else None
