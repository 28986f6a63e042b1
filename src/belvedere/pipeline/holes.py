"""Places inside the picture that no frame shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from belvedere.align.alignment import Alignment
from belvedere.compose.seams import Seams
from belvedere.geometry.plate import Plate

_LEAST_NODES = 4  # smaller ones are the coarse grid's doing


@dataclass(frozen=True, slots=True)
class Hole:
    """A place no frame shows: [x0, y0, x1, y1) plate px, yaw and pitch (rad), place in the grid."""

    plate_rect: tuple[int, int, int, int]
    yaw: float
    pitch: float
    row: int | None = None
    column: int | None = None


def find_holes(plate: Plate, seams: Seams, alignment: Alignment) -> tuple[Hole, ...]:
    """Uncovered parts of the plate that do not reach its border, largest first; in steps of the coarse grid.

    Where exactly one frame is missing inside a row near the hole, the hole gets that place in the grid.
    """
    open_ = seams.labels < 0
    parts, count = ndimage.label(open_)
    if plate.wraps and count:
        parts = _joined_at_the_wrap(parts)
    outside = {int(n) for edge in (parts[0], parts[-1]) for n in np.unique(edge)}
    if not plate.wraps:
        outside |= {int(n) for edge in (parts[:, 0], parts[:, -1]) for n in np.unique(edge)}
    found = []
    for number in np.unique(parts[parts > 0]).tolist():
        where = parts == number
        size = int(np.count_nonzero(where))
        if number in outside or size < _LEAST_NODES:
            continue
        found.append((size, _hole(where, plate, seams.step, alignment)))
    return tuple(hole for _, hole in sorted(found, key=lambda f: (-f[0], f[1].plate_rect)))


def _joined_at_the_wrap(parts: NDArray[np.int32]) -> NDArray[np.int32]:
    """Parts that meet across the wrap get one number."""
    parts = parts.copy()
    for left, right in zip(parts[:, 0].tolist(), parts[:, -1].tolist(), strict=True):
        if left and right and left != right:
            parts[parts == max(left, right)] = min(left, right)
    return parts


def _hole(where: NDArray[np.bool_], plate: Plate, step: int, alignment: Alignment) -> Hole:
    rows, columns = np.nonzero(where)
    x0, y0 = int(columns.min()) * step, int(rows.min()) * step
    x1 = min((int(columns.max()) + 1) * step, plate.width)
    y1 = min((int(rows.max()) + 1) * step, plate.height)
    middle = np.argsort(np.hypot(columns - columns.mean(), rows - rows.mean()), kind="stable")[0]
    x, y, z = plate.directions([[columns[middle] * step, rows[middle] * step]])[0].tolist()
    yaw, pitch = math.atan2(x, z), math.atan2(-y, math.hypot(x, z))
    if not (math.isfinite(yaw) and math.isfinite(pitch)):
        yaw, pitch = 0.0, 0.0
    row, column = _grid_place(np.array([x, y, z]), alignment)
    return Hole((x0, y0, x1, y1), yaw, pitch, row, column)


def _grid_place(direction: NDArray[np.float64], alignment: Alignment) -> tuple[int | None, int | None]:
    """The empty grid place whose neighbours to both sides look nearest to a direction."""
    axes: dict[tuple[int, int], NDArray[np.float64]] = {}
    for placed in alignment.frames:
        if placed.camera is not None and placed.row is not None and placed.column is not None:
            axes[placed.row, placed.column] = placed.camera.rotation[2]
    best: tuple[float, tuple[int, int]] | None = None
    for row, column in axes:
        place, beyond = (row, column + 1), (row, column + 2)
        if place not in axes and beyond in axes:
            between: Sequence[float] = (axes[row, column] + axes[beyond]).tolist()
            cosine = float(np.dot(between, direction) / max(float(np.linalg.norm(between)), 1e-12))
            if best is None or cosine > best[0]:
                best = (cosine, place)
    return best[1] if best else (None, None)
