"""How much of a frame the row above or below it sees, all its frames together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.view import FULL_TURN
from belvedere.plan.window import Window

_COLUMNS = 48  # of a frame; the share of its area is then right to 5e-4
_BESIDE = 3  # frames of the other row to either side of the nearest one that are looked at
_ROUND = 16  # frames looked at all round a row near a pole
_SPLIT = 1e-9


@dataclass(frozen=True, slots=True)
class Joint:
    """What the frames of two neighbouring rows share with the other row, the least of all looked at.

    Parameters
    ----------
    share : float
        Of a frame's area within the view's width.
    least : float
        Of the height of one column of a frame within the view's width.
    """

    share: float
    least: float


@dataclass(frozen=True, slots=True)
class RowOfFrames:
    """The yaws of a row's frames, from left to right, its pitch, and whether it goes all round (rad)."""

    pitch: float
    yaws: NDArray[np.float64]
    closed: bool


def joint_of(window: Window, upper: RowOfFrames, lower: RowOfFrames, view: tuple[float, float]) -> Joint:
    """What two rows share; `view` is where the view begins and ends in yaw (rad).

    Both ways, for the frames that stand best and worst to the other row's, and those at the ends.
    """
    both = [_shared(window, upper, lower, view), _shared(window, lower, upper, view)]
    return Joint(min(j.share for j in both), min(j.least for j in both))


def _shared(window: Window, own: RowOfFrames, other: RowOfFrames, view: tuple[float, float]) -> Joint:
    which = _to_look_at(window, own, other)
    yaws = own.yaws[which]
    apart = other.yaws[_beside(window, own, other, which)] - yaws[:, None]
    share = column_shares(window, own.pitch, other.pitch, apart)
    inside = _within(window, own.pitch, yaws, view)
    least = np.where(inside, share, 1.0).min()
    areas = np.where(inside, share, 0.0).sum(axis=1) / inside.sum(axis=1)
    return Joint(float(areas.min()), float(least))


def column_shares(
    window: Window, pitch: float, other_pitch: float, apart: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Share of the height of a frame's columns that frames of another row see together.

    Parameters
    ----------
    window : Window
    pitch, other_pitch : float
        Rad.
    apart : ndarray of shape (m, k)
        Yaw of k frames of the other row from each of m frames, rad.

    Returns
    -------
    ndarray of shape (m, 48)
        From the left column to the right one.
    """
    a, b = window.across, window.up
    x = _columns(window)
    sp, cp = np.sin(pitch), np.cos(pitch)
    so, co = np.sin(other_pitch), np.cos(other_pitch)
    st, ct = np.sin(apart)[..., None], np.cos(apart)[..., None]
    # a point (x, v) of the frame, v up, in the axes of the other camera: constant and rise with v
    right = (x * ct - cp * st, sp * st)
    ahead = (x * st + cp * ct, -sp * ct)
    z = (ahead[0] * co + sp * so, ahead[1] * co + cp * so)
    up = (sp * co - ahead[0] * so, cp * co - ahead[1] * so)
    low = np.full(right[0].shape, -b)
    high = np.full(right[0].shape, b)
    for constant, rise in (
        (a * z[0] - right[0], a * z[1] - right[1]),
        (a * z[0] + right[0], a * z[1] + right[1]),
        (b * z[0] - up[0], b * z[1] - up[1]),
        (b * z[0] + up[0], b * z[1] + up[1]),
    ):
        rise = np.broadcast_to(rise, constant.shape)
        level = np.abs(rise) < 1e-12
        bound = -constant / np.where(level, 1.0, rise)
        low = np.where(
            level, np.where(constant < 0.0, np.inf, low), np.where(rise > 0, np.maximum(low, bound), low)
        )
        high = np.where(~level & (rise < 0.0), np.minimum(high, bound), high)
    high = np.where(high > low, high, -b)
    low = np.where(high > low, low, -b)
    order = np.argsort(low, axis=1)
    low, high = np.take_along_axis(low, order, axis=1), np.take_along_axis(high, order, axis=1)
    reached = np.full((low.shape[0], low.shape[2]), -b)
    seen = np.zeros_like(reached)
    for k in range(low.shape[1]):
        seen += np.maximum(0.0, high[:, k] - np.maximum(low[:, k], reached))
        reached = np.maximum(reached, high[:, k])
    return np.asarray(seen / (2.0 * b))


def _columns(window: Window) -> NDArray[np.float64]:
    return np.asarray(((np.arange(_COLUMNS) + 0.5) / _COLUMNS * 2.0 - 1.0) * window.across)


def _to_look_at(window: Window, own: RowOfFrames, other: RowOfFrames) -> NDArray[np.int64]:
    """The ends of a row, and its frames that stand nearest to one of the other row and farthest from any.

    Next to a pole also others, spread all round: there frames stand at every angle to each other.
    """
    count = len(own.yaws)
    if count <= 6:
        return np.arange(count)
    apart = np.abs(own.yaws - other.yaws[_nearest(own.yaws, other)])
    if own.closed:
        apart = np.minimum(apart, FULL_TURN - apart)
    which = [0, 1, count - 2, count - 1, int(np.argmin(apart)), int(np.argmax(apart))]
    if _sees_pole(window, own) or _sees_pole(window, other):
        which += _spread(count)
    return np.unique(np.array(which, dtype=np.int64))


def _sees_pole(window: Window, row: RowOfFrames) -> bool:
    """Whether a pole lies in a row's frames, or just outside."""
    return abs(row.pitch) + 1.2 * window.half_tall > np.pi / 2


def _spread(count: int) -> list[int]:
    """At most 16 of so many frames, spread evenly."""
    return sorted({k * count // _ROUND for k in range(_ROUND)})


def _nearest(yaws: NDArray[np.float64], other: RowOfFrames) -> NDArray[np.int64]:
    """Index of the other row's frame nearest to each yaw."""
    middles = (other.yaws[1:] + other.yaws[:-1]) / 2.0
    return np.searchsorted(middles, yaws)


def _beside(
    window: Window, own: RowOfFrames, other: RowOfFrames, which: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Which of the other row's frames to hold against each, (m, k); some may stand twice."""
    count = len(other.yaws)
    near = _nearest(own.yaws[which], other)[:, None] + np.arange(-_BESIDE, _BESIDE + 1)
    near = near % count if other.closed else np.clip(near, 0, count - 1)
    if _sees_pole(window, own):
        near = np.concatenate([near, np.tile(_spread(count), (len(near), 1))], axis=1)
    return near


def _within(
    window: Window, pitch: float, yaws: NDArray[np.float64], view: tuple[float, float]
) -> NDArray[np.bool_]:
    """Which columns of frames stand in the view's width, by their middles."""
    if view[1] - view[0] >= FULL_TURN - _SPLIT:
        return np.ones((len(yaws), _COLUMNS), dtype=bool)
    column = yaws[:, None] + np.arctan2(_columns(window), np.cos(pitch))
    inside = (column >= view[0] - _SPLIT) & (column <= view[1] + _SPLIT)
    return inside | ~inside.any(axis=1, keepdims=True)  # a view narrower than a column
