"""How much of the plate the cameras cover, and the holes inside the field."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from belvedere.compose.field import measure_field
from belvedere.compose.footprint import PlateRect, footprint
from belvedere.compose.seam_cost import merit_of
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

_NODES = 200_000  # about as many grid nodes as are looked at
# A gap between covered places counts where it is this share of a frame's short side deep: more than rows
# sway, less than a missing frame leaves at a third of overlap.
_GAP_SHARE = 0.2
_GAP_REACH = 3.0  # frames' long sides a gap may be wide


@dataclass(frozen=True, slots=True)
class Hole:
    """A place inside the field that no frame shows.

    Parameters
    ----------
    plate_rect : PlateRect
        Bounding box, plate px, x1 and y1 excluded; at a plate's wrap x1 may exceed the width.
    yaw_deg, pitch_deg : float
        World direction of its middle.
    """

    plate_rect: PlateRect
    yaw_deg: float
    pitch_deg: float


@dataclass(frozen=True, slots=True)
class Coverage:
    """Share of the plate's pixels that a frame covers (0 to 1, by a coarse grid), and the holes."""

    covered_fraction: float
    holes: tuple[Hole, ...]


def measure_coverage(plate: Plate, cameras: Sequence[Camera]) -> Coverage:
    """Look for what the frames leave open, on a coarse grid.

    A hole is an open place closed in by frames on all sides, or one a missing frame leaves at the rim or
    across a row: between frames on opposite sides, and deeper than rows sway. It is looked for in the yaw
    and pitch of the plate's pose, where no projection bends the rim.
    """
    if not cameras:
        return Coverage(0.0, ())
    step = max(1, round(math.sqrt(plate.width * plate.height / _NODES)))
    share = float(_covered(plate, step, cameras).mean())
    sphere = _sphere(plate, cameras)
    holes = tuple(_as_hole(part, sphere, plate) for part in _open_parts(sphere, cameras))
    return Coverage(share, holes)


def _covered(plate: Plate, step: int, cameras: Sequence[Camera]) -> NDArray[np.bool_]:
    """Which nodes (every `step` px) of a plate any camera covers."""
    columns, rows = max(1, plate.width // step), max(1, plate.height // step)
    out = np.zeros((rows, columns), np.bool_)
    for camera in cameras:
        for r in footprint(camera, plate):
            x0, y0 = r.x0 // step, r.y0 // step
            x1, y1 = min(-(-r.x1 // step), columns), min(-(-r.y1 // step), rows)
            if x0 < x1 and y0 < y1:
                out[y0:y1, x0:x1] |= merit_of(camera, plate, step, x0, y0, x1 - x0, y1 - y0) > 0.0
    return out


def _sphere(plate: Plate, cameras: Sequence[Camera]) -> Plate:
    """A small equirectangular plate over the cameras' field in the pose of `plate`."""
    field = measure_field(cameras, plate.pose)
    s = math.sqrt(_NODES / max(field.wide * field.tall, 1e-6))
    if field.full_turn:
        width = max(8, round(2.0 * math.pi * s))
        s, first = width / (2.0 * math.pi), -(width // 2)
    else:
        first = math.floor((field.yaw - field.wide / 2.0) * s)
        width = math.ceil((field.yaw + field.wide / 2.0) * s) - first + 1
    top = math.floor(-field.high * s)
    height = math.ceil(-field.low * s) - top + 1
    return Plate(
        "equirectangular", width, height, s, (-first, -top), plate.yaw_pitch_roll, wraps=field.full_turn
    )


def _open_parts(sphere: Plate, cameras: Sequence[Camera]) -> list[NDArray[np.int64]]:
    """The holes in scan order, each as its nodes (n, 2): x, y."""
    covered = _covered(sphere, 1, cameras)
    # a full turn is looked at twice round, so that a hole at the wrap is in one piece somewhere
    columns = covered.shape[1]
    grid = np.concatenate([covered, covered], axis=1) if sphere.wraps else covered
    enclosed = ndimage.binary_fill_holes(grid) & ~grid
    short = min(min(c.width, c.height) / c.focal_px for c in cameras) * sphere.pixels_per_radian
    long = max(max(c.width, c.height) / c.focal_px for c in cameras) * sphere.pixels_per_radian
    between = _bridged(grid, _GAP_REACH * long) | _bridged(grid.T, _GAP_REACH * long).T
    size = 2 * max(1, round(_GAP_SHARE * short / 2.0)) + 1
    core = ndimage.minimum_filter(between.astype(np.uint8), size, mode="constant", cval=0)
    deep = ndimage.maximum_filter(core, size, mode="constant", cval=0).astype(bool) & between
    split = np.zeros_like(grid)  # what parts the field in two, however narrow
    split[:, ~grid.any(axis=0)] = True
    split[~grid.any(axis=1), :] = True
    found, _ = ndimage.label(enclosed | deep | (split & _between_covered(grid)))
    parts = []
    for number, box in enumerate(ndimage.find_objects(found), start=1):
        x = box[1]
        if sphere.wraps:
            at_cut = x.start == 0 or x.stop == 2 * columns
            if x.start >= columns or (at_cut and x.stop - x.start < columns):
                continue  # the same hole seen again, or cut where the doubled grid ends
        nodes = np.argwhere(found[box] == number)[:, ::-1] + (x.start, box[0].start)
        if len(nodes) > 1:
            parts.append(nodes)
    return parts


def _between_covered(grid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Nodes within the rows and columns from the first to the last that hold a covered one."""
    rows, columns = np.flatnonzero(grid.any(axis=1)), np.flatnonzero(grid.any(axis=0))
    out = np.zeros_like(grid)
    if rows.size:
        out[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] = True
    return out


def _bridged(grid: NDArray[np.bool_], reach: float) -> NDArray[np.bool_]:
    """Open nodes between two covered ones of the same row, no farther apart than `reach` nodes."""
    columns = grid.shape[1]
    index = np.broadcast_to(np.arange(columns), grid.shape)
    before = np.maximum.accumulate(np.where(grid, index, -1), axis=1)
    after = np.minimum.accumulate(np.where(grid, index, columns)[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((before >= 0) & (after < columns) & (after - before <= reach) & ~grid)


def _as_hole(nodes: NDArray[np.int64], sphere: Plate, plate: Plate) -> Hole:
    low, high = nodes.min(axis=0), nodes.max(axis=0)
    middle = sphere.directions((low + high) / 2.0)
    points = plate.points(sphere.directions(nodes))
    points = points[np.isfinite(points).all(axis=1)]
    x, y = points[:, 0], points[:, 1]
    if plate.wraps:  # in one piece, from the hole's middle on either side
        about = plate.points(middle)[0]
        x = about + (x - about + plate.width / 2.0) % plate.width - plate.width / 2.0
    half = 0.5 * plate.pixels_per_radian / sphere.pixels_per_radian
    x0, x1 = math.floor(x.min() - half), math.ceil(x.max() + half) + 1
    y0, y1 = max(0, math.floor(y.min() - half)), min(plate.height, math.ceil(y.max() + half) + 1)
    if plate.wraps:
        x0, x1 = x0 % plate.width, x0 % plate.width + min(x1 - x0, plate.width)
    else:
        x0, x1 = max(0, x0), min(plate.width, x1)
    yaw = math.degrees(math.atan2(float(middle[0]), float(middle[2])))
    pitch = math.degrees(math.atan2(-float(middle[1]), math.hypot(float(middle[0]), float(middle[2]))))
    return Hole(PlateRect(x0, y0, x1, y1), yaw, pitch)
