"""The grid that a block's frames were shot in: rows by where they looked, columns by steps of the turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.rows import rows_and_columns
from belvedere.align.turn_grid import head_axes
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import yaw_pitch_roll

_STEEP = np.radians(70.0)  # rows that look higher than this have no plain steps
_UNEVEN = 0.35  # of a step, by which a turn from frame to frame may miss a whole number of steps
_LEAST_STEPS = 3  # turns of one step that must have been seen


@dataclass(frozen=True, slots=True)
class TiedRow:
    """A row of the grid, its frames in the order shot.

    Parameters
    ----------
    row : int
        Place among the rows, 0 on top; rows that no frame of the block is in are counted where the pitches
        tell.
    numbers : tuple of int
        What the shooting order counts the frames by.
    columns : tuple of int
        Steps to the right, from any start, the same for all rows.
    way : int
        +1 where it was shot to the right, -1 to the left, 0 where it does not tell.
    """

    row: int
    numbers: tuple[int, ...]
    columns: tuple[int, ...]
    way: int


@dataclass(frozen=True, slots=True)
class TiedGrid:
    """A block in the grid of its shooting.

    Parameters
    ----------
    head : ndarray of shape (3, 3)
        The head's axes, as rows, in the block's world (see `turn_grid.TurnGrid`).
    step : float
        From column to column, rad.
    place : dict
        Frame index to (row, column).
    rows : tuple of TiedRow
        In the order shot.
    """

    head: NDArray[np.float64]
    step: float
    place: dict[int, tuple[int, int]]
    rows: tuple[TiedRow, ...]


def tied_grid(frames: Sequence[int], cameras: Sequence[Camera], number: Sequence[int]) -> TiedGrid | None:
    """Rows and columns of a block shot row by row in even steps; None where it was not.

    Unlike `series_places.place_block` it counts columns by the turns seen, so that frames which were never
    shot leave theirs empty.

    Parameters
    ----------
    frames, cameras : sequences
        The block, in one world.
    number : sequence of int
        Of the block's frames: counts exposures in the order shot, see `series_places.shooting_order`.
    """
    head = head_axes(estimate_pan_axis(cameras).down, [c.rotation for c in cameras])
    turned = [c.with_rotation(c.rotation @ head.T) for c in cameras]
    angles = np.array([yaw_pitch_roll(c.rotation.T) for c in turned])
    if np.abs(angles[:, 1]).max() > _STEEP:
        return None
    row_of = np.array([row for row, _ in rows_and_columns(turned)])
    numbers = np.asarray(number)
    members = _rows_in_order(row_of, numbers)
    if members is None:
        return None
    turns = {int(row_of[own[0]]): np.diff(np.unwrap(angles[own, 0])) for own in members}
    single = [
        abs(float(t)) / d
        for own in members
        for t, d in zip(turns[int(row_of[own[0]])], np.diff(numbers[own]), strict=True)
        if d == 1
    ]
    if len(single) < _LEAST_STEPS:
        return None
    step = float(np.median(single))
    level = _levels(np.array([float(np.median(angles[row_of == r, 1])) for r in range(len(members))]))
    place: dict[int, tuple[int, int]] = {}
    rows = []
    begin = float(angles[members[0][0], 0])
    for own in members:
        r = int(row_of[own[0]])
        steps = turns[r] / step
        whole = np.rint(steps)
        if np.abs(steps - whole).max(initial=0.0) > _UNEVEN:
            return None
        if np.any(whole > 0.0) and np.any(whole < 0.0):
            return None  # back and forth within a row
        way = int(np.sign(whole.sum()))
        column = np.concatenate([[0.0], np.cumsum(whole)])
        yaw = angles[own[0], 0] + np.concatenate([[0.0], np.cumsum(turns[r])])
        start = float(np.median(yaw - step * column))
        lap = (start - begin + np.pi) % (2.0 * np.pi) - np.pi
        columns = [int(c) + round(lap / step) for c in column]
        rows.append(TiedRow(level[r], tuple(numbers[own].tolist()), tuple(columns), way))
        place.update(zip([frames[k] for k in own], [(level[r], c) for c in columns], strict=True))
    return TiedGrid(head, step, place, tuple(rows))


def cells_seen(
    grid: TiedGrid,
    tied: Sequence[int],
    cameras: Sequence[Camera],
    others: Sequence[int],
    where: Sequence[Camera],
) -> dict[int, tuple[int, int]]:
    """Row and column of frames that are seen, roughly, to look some way: the nearest of the grid.

    Parameters
    ----------
    tied, cameras : sequences
        The grid's frames.
    others, where : sequences
        The frames wanted, in the same world.
    """
    known = np.array([yaw_pitch_roll((c.rotation @ grid.head.T).T)[:2] for c in cameras])
    place = np.array([grid.place[i] for i in tied])
    rows = np.unique(place[:, 0])
    pitch = np.array([float(np.median(known[place[:, 0] == r, 1])) for r in rows])
    line = np.polyfit(rows, pitch, 1) if len(rows) > 1 else None
    out = {}
    for i, camera in zip(others, where, strict=True):
        yaw, p, _ = yaw_pitch_roll((camera.rotation @ grid.head.T).T)
        k = int(np.argmin(np.abs(pitch - p)))
        height = 2.0 * np.arctan(camera.height / 2.0 / camera.focal_px)
        if abs(p - pitch[k]) < 0.4 * height:
            row = int(rows[k])
        elif line is not None:
            row = round((p - float(line[1])) / float(line[0]))
        else:
            row = int(rows[k]) - int(np.sign(p - pitch[k]))
        turn = np.remainder(yaw - known[:, 0] + np.pi, 2.0 * np.pi) - np.pi
        n = int(np.argmin(np.abs(turn)))
        out[i] = (row, int(place[n, 1]) + round(float(turn[n]) / grid.step))
    return out


def _rows_in_order(row_of: NDArray[np.int64], number: NDArray[np.int64]) -> list[NDArray[np.int64]] | None:
    """Every row's frames in the order shot, rows in the order shot; None if it was not row by row."""
    members = []
    for row in range(int(row_of.max()) + 1):
        own = np.flatnonzero(row_of == row)
        own = own[np.argsort(number[own], kind="stable")]
        inside = (number > number[own[0]]) & (number < number[own[-1]]) & (row_of != row)
        if inside.any():
            return None
        members.append(own)
    return sorted(members, key=lambda own: int(number[own[0]]))


def _levels(pitch: NDArray[np.float64]) -> list[int]:
    """Number of every row, `pitch` falling: two apart where the turn between them is that of two."""
    down = -np.diff(pitch)
    if len(down) < 2:
        return list(range(len(pitch)))
    steps = np.maximum(np.rint(down / down.min()), 1.0)
    if np.abs(down / down.min() - steps).max() > _UNEVEN:
        steps = np.ones_like(down)  # the rows are uneven themselves
    return [int(v) for v in np.concatenate([[0.0], np.cumsum(steps)])]
