"""The axis the camera was turned about: level only as far as the head was."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_evidence import Evidence, moved, tangent
from belvedere.geometry.camera import Camera

# How much frames scatter about the head's regular turn; prior to the set's own residuals, and how many
# observations the prior counts for. Common practice, no published source.
_ROLL_SCATTER = np.radians(0.15)
_PITCH_SCATTER = np.radians(0.25)
_PRIOR_COUNT = 4.0
_MOUNTED = np.radians(0.5)  # constant roll of the camera on the head, one sigma
_PITCH_PRIOR = np.radians(25.0)  # of a row, about the level: only where nothing else speaks
_NEAR_POLE = np.radians(75.0)
_COLUMN_SIGMA = np.radians(10.0)

WORDS = "from the pan axis alone; a head out of level stays in the picture"


def estimate_pan_axis(cameras: Sequence[Camera]) -> Evidence:
    """Estimate the pan axis, as `down`, and how well the frames define it.

    In the head's axes a frame of row k has pitch p_k and roll r, both with scatter: its x axis lies across
    the pan axis but for the roll, its sight line at p_k above the plane across it. Rolls and pitches are
    fitted together; r is common to all frames (a camera that sits askew on the head), p_k to a row. The
    scatter of either is estimated from the residuals (variance components, Foerstner 1979).

    Parameters
    ----------
    cameras : sequence of Camera
        At least one, world to camera in any common world.

    References
    ----------
    M. Brown, D. G. Lowe, Automatic panoramic image stitching using invariant features, IJCV 74(1), 2007,
    section 5: the up vector lies across the cameras' x axes.
    W. Foerstner, Ein Verfahren zur Schaetzung von Varianz- und Kovarianzkomponenten, AVN 86, 1979.
    """
    axes = np.stack([c.rotation for c in cameras])
    column = _one_column(axes)
    if column is not None:
        return column
    down = _first_guess(axes)
    heights = np.array([2.0 * np.arctan(c.height / 2.0 / c.focal_px) for c in cameras])
    covariance = np.eye(2)
    for _ in range(3):
        row_of = _rows(axes, down, heights)
        down, covariance = _fit(axes, down, row_of)
    t = tangent(down)
    return Evidence("pan-axis", down, t.T @ covariance @ t, WORDS)


def _first_guess(axes: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = axes[:, 0], axes[:, 1].mean(axis=0)
    values, vectors = np.linalg.eigh(x.T @ x)
    down = vectors[:, 0]
    if values[1] < 0.02 * len(x):  # a narrow field: the x axes hardly tell
        across = x.mean(axis=0)
        down = y - (y @ across) / max(across @ across, 1e-12) * across
    down = down / np.linalg.norm(down)
    return np.asarray(down if down @ y >= 0.0 else -down)


def _one_column(axes: NDArray[np.float64]) -> Evidence | None:
    """A single upright column, turned about the camera's x axis: sideways well known, the rest a guess.

    A sweep of more than 120 degrees goes over the zenith, whether the camera leaned back or was turned round
    on the way: its middle is up (down, where the frames' own upper edges say so). A lesser sweep is taken to
    be level in the mean of its frames.
    """
    count = len(axes)
    values, vectors = np.linalg.eigh(axes[:, 0].T @ axes[:, 0])
    x = vectors[:, 2]
    off = float(np.sqrt(max(values[0] + values[1], 0.0) / count))
    t = tangent(x)
    turn = np.sort(np.arctan2(axes[:, 2] @ t[1], axes[:, 2] @ t[0]))
    gaps = np.diff(np.append(turn, turn[0] + 2.0 * np.pi))
    widest = int(np.argmax(gaps))
    swept = 2.0 * np.pi - float(gaps[widest])
    if count < 2 or off > 0.15 or swept < np.radians(10.0) or swept < 4.0 * off:
        return None
    upright = axes[:, 1].mean(axis=0)
    down = upright - (upright @ x) * x
    if swept > np.radians(120.0):
        middle = turn[(widest + 1) % count] + swept / 2.0
        down = np.cos(middle) * t[0] + np.sin(middle) * t[1]
        down = down if upright @ down > 0.2 else -down
    down /= np.linalg.norm(down)
    roll = max(off, _ROLL_SCATTER) / count**0.5 + _MOUNTED
    ahead = np.cross(x, down)
    covariance = roll**2 * np.outer(x, x) + _COLUMN_SIGMA**2 * np.outer(ahead, ahead)
    words = "from the turn of a single column, which hardly tells; a head out of level stays in the picture"
    return Evidence("pan-axis", down, covariance, words)


def _rows(
    axes: NDArray[np.float64], down: NDArray[np.float64], heights: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Row of every frame: pitches within 0.4 of a frame's height."""
    pitch = np.arcsin(np.clip(-axes[:, 2] @ down, -1.0, 1.0))
    out = np.zeros(len(pitch), dtype=np.int64)
    order = np.argsort(-pitch, kind="stable")
    row, anchor = 0, pitch[order[0]]
    for k in order:
        if anchor - pitch[k] > 0.4 * heights[k]:
            row, anchor = row + 1, pitch[k]
        out[k] = row
    return out


def _fit(
    axes: NDArray[np.float64], down: NDArray[np.float64], row_of: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Down and its covariance (2, 2) by Gauss-Newton, scatters estimated along."""
    n, rows = len(axes), int(row_of.max()) + 1
    member = np.eye(rows)[row_of]
    roll, pitch_of = 0.0, np.zeros(rows)
    scatter = np.array([_ROLL_SCATTER, _PITCH_SCATTER])
    known = np.zeros(2)
    for turn in range(12):
        t = tangent(down)
        height = np.clip(-axes[:, 2] @ down, -1.0, 1.0)  # sin of the pitch
        flat = np.maximum(np.sqrt(1.0 - height**2), 0.05)
        usable = np.abs(np.arcsin(height)) < _NEAR_POLE
        if turn == 0:
            pitch_of = np.array([np.arcsin(height)[row_of == k].mean() for k in range(rows)])
        sideways = axes[:, 0] @ down - np.sin(roll) * flat  # down . x = sin(roll) cos(pitch)
        lean = np.where(usable, np.arcsin(height) - pitch_of[row_of], 0.0)
        residual = np.concatenate([sideways, lean])
        jacobian = np.zeros((2 * n, 3 + rows))
        jacobian[:n, :2] = axes[:, 0] @ t.T
        jacobian[:n, 2] = -np.cos(roll) * flat
        jacobian[n:, :2] = -(axes[:, 2] @ t.T) / flat[:, None]
        jacobian[n:, 3:] = -member
        jacobian[n:][~usable] = 0.0
        unit = np.concatenate([scatter[0] * np.maximum(flat, 0.3), np.full(n, scatter[1])])
        scaled = residual / unit
        weight = np.minimum(1.0, 3.0 / np.maximum(np.abs(scaled), 1e-12))  # Huber
        a = jacobian / unit[:, None] * np.sqrt(weight)[:, None]
        b = scaled * np.sqrt(weight)
        prior = np.concatenate([[0.0, 0.0, _MOUNTED**-2], np.full(rows, _PITCH_PRIOR**-2)])
        normal = a.T @ a + np.diag(prior) + 1e-9 * np.eye(3 + rows)
        gradient = a.T @ b + prior * np.concatenate([[0.0, 0.0, roll], pitch_of])
        inverse = np.linalg.inv(normal)
        step = -inverse @ gradient
        known = inverse[:2, :2]
        down = moved(down, step[:2] * min(1.0, 0.3 / max(float(np.linalg.norm(step[:2])), 1e-12)))
        roll += float(step[2])
        pitch_of = pitch_of + step[3:]
        # redundancy of either kind of observation: its count less the trace of the hat matrix
        hat = np.einsum("ij,jk,ik->i", a, inverse, a)
        left = b + a @ step
        for k, (part, first) in enumerate(((slice(0, n), _ROLL_SCATTER), (slice(n, None), _PITCH_SCATTER))):
            count = n if k == 0 else int(np.count_nonzero(usable))
            free = max(count - float(hat[part].sum()), 0.0)
            square = float(left[part] @ left[part]) * scatter[k] ** 2
            scatter[k] = np.sqrt((_PRIOR_COUNT * first**2 + square) / (_PRIOR_COUNT + free))
    return down, known
