"""Rows of a series as seen, whatever the order shot, and the places where a frame is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_TOWARDS_IMAGE = 0.004  # how much the frames' own upright counts beside the axis they were turned about
_BESIDE = 0.5  # a neighbour is beside where it lies less than this part as far up as across, in frame sizes
_NEAREST, _FARTHEST = 0.15, 1.6  # frame sizes within which two frames are neighbours
_REGULAR = 0.1  # RMS scatter of the turns, as a share of the turn, up to which a head was turned evenly
_RING = 4  # frames that a whole turn has at least
_OPEN = 1.5  # of the median turn, from which the widest gap of a row is where it is open
_LAST_ONE = (1.75, 2.25)  # turns between the last frame and the first of a whole turn that lacks one frame
_ALMOST_WHOLE = 2.0 * np.pi / 10.0  # widest turn at which a row is taken for a whole one that lacks a frame
_ON_COLUMN = 0.3  # of a turn, up to which a frame counts as standing on a column
_ONE_COLUMN = 0.9  # share of the x axes' spread along one direction, for a sweep about it
_ZENITH = np.radians(60.0)  # where a row is too high to be told by its yaw

Place = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows from top to bottom, each from left to right, by index of pose; columns and what is missing.

    Parameters
    ----------
    rows : tuple of tuple of int
        Indices of poses.
    missing : tuple of (row, column)
        Places of the completed grid where no pose stands; empty where the turns are not even.
    even : bool
        Whether the head was turned evenly, so that `missing` can be told at all.
    """

    rows: tuple[tuple[int, ...], ...]
    missing: tuple[Place, ...]
    even: bool


def find_rows(rotations: NDArray[np.float64], sizes: NDArray[np.float64]) -> Grid:
    """Arrange poses into rows and columns.

    Parameters
    ----------
    rotations : ndarray of shape (n, 3, 3)
        World to camera, in any common world, in the order shot: a whole turn is cut where it was begun.
    sizes : ndarray of shape (n, 2)
        Angles of view across and up, rad.

    Notes
    -----
    The upright is the direction across the cameras' x axes (Brown & Lowe, IJCV 74(1), 2007, section 5),
    drawn slightly towards the frames' own upright, which alone tells it for narrow fields. Row numbers are
    those that agree best with neighbours being beside or above each other, so that rows may slope.
    """
    yaw, pitch = level_angles(rotations)
    row_of = _row_numbers(yaw, pitch, sizes)
    members = [np.flatnonzero(row_of == r) for r in range(int(row_of.max()) + 1)]
    edge, lacking = _edge_of_turn(members, yaw)
    rows = [_left_to_right(own, yaw, edge) for own in members]
    columns = _columns(rows, yaw)
    if columns is None:
        return Grid(tuple(tuple(r) for r in rows), (), False)
    first, last = min(map(min, columns)) + min(lacking, 0), max(map(max, columns)) + max(lacking, 0)
    missing = [
        (r, c - first) for r, own in enumerate(columns) for c in range(first, last + 1) if c not in own
    ]
    return Grid(tuple(tuple(r) for r in rows), tuple(missing), True)


def level_angles(rotations: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Yaw and pitch of every pose, rad, about the axis the set was turned about; yaw 0 is its middle.

    A single sweep about the cameras' x axis is a column: its pitch goes on over the zenith and its yaw is
    how far frames lie beside it.
    """
    axes, mean = rotations[:, 2], rotations.mean(axis=0)
    values, vectors = np.linalg.eigh(rotations[:, 0].T @ rotations[:, 0] / len(rotations))
    across = _unit(vectors[:, 2] * np.sign(vectors[:, 2] @ mean[0] or 1.0))
    off = axes @ across
    forward = _unit(_flat(mean[2], across) if np.linalg.norm(_flat(mean[2], across)) > 1e-6 else axes[0])
    down = np.cross(forward, across)
    sweep = np.unwrap(np.arctan2(-(axes @ down), axes @ forward))
    if values[2] > _ONE_COLUMN and np.ptp(sweep) > 3.0 * np.ptp(off):
        return np.arcsin(np.clip(off, -1.0, 1.0)), sweep
    m = rotations[:, 0].T @ rotations[:, 0] / len(rotations)
    upright = _unit(mean[1])
    _, vectors = np.linalg.eigh(m - _TOWARDS_IMAGE * np.outer(upright, upright))
    down = vectors[:, 0] * np.sign(vectors[:, 0] @ upright or 1.0)
    middle = _flat(axes.mean(axis=0), down)
    forward = _unit(middle if np.linalg.norm(middle) > 0.05 else _flat(axes[0], down))
    right = np.cross(down, forward)
    return (
        np.arctan2(axes @ right, axes @ forward),
        np.arcsin(np.clip(-(axes @ down), -1.0, 1.0)),
    )


def _row_numbers(
    yaw: NDArray[np.float64], pitch: NDArray[np.float64], sizes: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Row of every pose, 0 on top, from which neighbours are beside and which above each other."""
    count = len(yaw)
    turned = (yaw[None, :] - yaw[:, None] + np.pi) % (2.0 * np.pi) - np.pi
    shrink = np.cos(np.clip((pitch[None, :] + pitch[:, None]) / 2.0, -_ZENITH, _ZENITH))
    size = (sizes[None, :] + sizes[:, None]) / 2.0
    dx, dy = turned * shrink / size[..., 0], (pitch[:, None] - pitch[None, :]) / size[..., 1]
    rise = _row_rise(dx, dy)
    normal, right_side = np.eye(count) * 1e-4, -pitch / (rise * sizes[:, 1]) * 1e-4
    for i in range(count):
        for j in range(i + 1, count):
            across, up = abs(dx[i, j]), abs(dy[i, j])
            if max(across, up) > _FARTHEST or max(across, up) < _NEAREST:
                continue
            if up < _BESIDE * min(across, rise):
                step = 0.0
            elif across < _BESIDE * up and up < 1.5 * rise:
                step = float(np.sign(dy[i, j]))
            else:
                continue
            normal[[i, j], [i, j]] += 1.0
            normal[i, j] -= 1.0
            normal[j, i] -= 1.0
            right_side[i] -= step
            right_side[j] += step
    levels = np.linalg.solve(normal, right_side)
    order = np.argsort(levels, kind="stable")
    starts = np.concatenate([[False], np.diff(levels[order]) > 0.5])
    out = np.empty(count, dtype=np.int64)
    out[order] = np.cumsum(starts)
    return out


def _row_rise(dx: NDArray[np.float64], dy: NDArray[np.float64]) -> float:
    """Typical distance between rows in frame heights: of frames that lie above each other."""
    above = np.abs(dy)[(np.abs(dx) < _BESIDE * np.abs(dy)) & (np.abs(dy) > _NEAREST)]
    if len(above) == 0:
        return 0.67
    nearest = np.sort(above)
    return float(np.median(nearest[nearest < 1.5 * nearest[len(nearest) // 10]]))


def _edge_of_turn(rows: Sequence[NDArray[np.int64]], yaw: NDArray[np.float64]) -> tuple[float | None, int]:
    """Yaw at which rows are cut, and where a frame is lacking there: 1 on the right, -1 on the left, else 0.

    A row that goes all around without a wide gap is cut where the first was begun, and so is one that was
    shot once round the same way, so that a wide gap elsewhere is a frame missing. It lacks a frame at the cut
    where just one finds room between its last and its first. None: a row is cut at its widest gap.
    """
    longest = max(rows, key=len)
    gaps = _gaps(np.sort(yaw[longest] % (2.0 * np.pi)))
    if len(longest) < _RING:
        return None, 0
    turn = float(np.median(gaps))
    way = float(np.copysign(1.0, (yaw[1] - yaw[0] + np.pi) % (2.0 * np.pi) - np.pi))
    edge = float(yaw[0] - 0.5 * way * turn)
    if gaps.max() <= _OPEN * turn:
        return edge, 0
    shot = way * np.diff(np.append(yaw[longest], yaw[longest[0]])) % (2.0 * np.pi)
    if round(float(shot.sum()) / (2.0 * np.pi)) != 1:
        return None, 0
    left = float(shot[-1]) / turn
    if left <= _OPEN:
        return edge, 0
    middle = float(yaw[longest[0]] - 0.5 * way * shot[-1])
    one = _LAST_ONE[0] <= left <= _LAST_ONE[1] and turn <= _ALMOST_WHOLE and shot[:-1].max() <= _OPEN * turn
    return (edge, int(way)) if one else (middle, 0)


def _left_to_right(members: NDArray[np.int64], yaw: NDArray[np.float64], edge: float | None) -> list[int]:
    """A row's poses by yaw from an edge on, or after the widest gap of the turn."""
    around = yaw[members] % (2.0 * np.pi)
    if edge is None:
        order = np.argsort(around, kind="stable")
        start = (int(np.argmax(_gaps(around[order]))) + 1) % len(order)
        return [int(members[k]) for k in np.roll(order, -start)]
    return [int(k) for k in members[np.argsort((around - edge) % (2.0 * np.pi), kind="stable")]]


def _gaps(around: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turns from each of some sorted yaws to the next, around the back too."""
    return np.diff(np.append(around, around[0] + 2.0 * np.pi))


def _columns(rows: Sequence[Sequence[int]], yaw: NDArray[np.float64]) -> list[list[int]] | None:
    """Column of every pose of every row on one common scale; None where the turns are not even."""
    unrolled = [_unrolled(row, yaw) for row in rows]
    turns = np.concatenate([np.diff(u) for u in unrolled])
    if len(turns) == 0:
        return [[0] * len(row) for row in rows]
    step = float(np.median(turns))
    if step <= 0.0:
        return None
    step = float(np.median(turns[turns < 1.5 * step]))
    if step <= 0.0 or np.any(np.rint(turns / step) < 1):
        return None
    off = np.abs(turns / step - np.rint(turns / step))
    if np.sqrt(np.mean(off**2)) > _REGULAR or off.max() > _ON_COLUMN:
        return None
    longest = unrolled[int(np.argmax([len(u) for u in unrolled]))]
    start, middle = longest[0], float(np.mean(longest))
    out = []
    for u in unrolled:
        turns_off = np.rint((np.mean(u) - middle) / (2.0 * np.pi))
        place = (u - 2.0 * np.pi * turns_off - start) / step
        near = np.rint(place - np.median(place - np.rint(place)))
        if np.max(np.abs(place - near)) > _ON_COLUMN and len(rows) > 1:
            return None
        out.append([int(c) for c in near])
    return out


def _unrolled(row: Sequence[int], yaw: NDArray[np.float64]) -> NDArray[np.float64]:
    """Yaws of a row that grow from left to right, across the back too."""
    values = yaw[list(row)]
    turns = (np.diff(values) + np.pi) % (2.0 * np.pi) - np.pi
    turns = np.where(turns <= 0.0, turns % (2.0 * np.pi), turns)
    return np.asarray(values[0] + np.concatenate([[0.0], np.cumsum(turns)]))


def _flat(vector: NDArray[np.float64], normal: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(vector - (vector @ normal) * normal)


def _unit(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-12))
