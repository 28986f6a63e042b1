"""Which place in the grid of rows and columns a missing frame would have had."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.geometry.camera import Camera

_ROWS_FOR_ENDS = 3  # rows it takes to say where all of them begin and end
_MOST_AT_AN_END = 2  # frames a row may lack there and still have been meant to be as long


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


def missing_at_ends(alignment: Alignment) -> tuple[tuple[int, int, Camera], ...]:
    """(row, column) of frames that a row lacks at its end, and the camera that its own last step leads to.

    Where most rows, and at least two, begin or end at one column, a row that is one or two frames short of it
    lacks them; no picture shows such a hole by itself, it lies at the rim.
    """
    rows: dict[int, dict[int, Camera]] = {}
    for placed in alignment.frames:
        if placed.camera is not None and placed.row is not None and placed.column is not None:
            rows.setdefault(placed.row, {})[placed.column] = placed.camera
    if len(rows) < _ROWS_FOR_ENDS:
        return ()
    out = []
    for side in (-1, 1):
        ends = {r: max(side * c for c in own) for r, own in rows.items()}
        common = max(ends.values())
        if 2 * sum(end == common for end in ends.values()) <= len(rows):
            continue
        for r, end in sorted(ends.items()):
            before = rows[r].get(side * (end - 1))
            if not 0 < common - end <= _MOST_AT_AN_END or before is None:
                continue
            last = rows[r][side * end]
            step = last.rotation @ before.rotation.T
            turned = last
            for k in range(1, common - end + 1):
                turned = turned.with_rotation(step @ turned.rotation)
                out.append((r, side * (end + k), turned))
    return tuple(sorted(out, key=lambda found: found[:2]))
