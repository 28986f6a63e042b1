"""Where the frames of a set stand in the turn of the head: rows, steps and gaps, in the head's own axes."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.rows import rows_and_columns
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import yaw_pitch_roll

# Shares of a step; common practice, no published source.
_SAME_PLACE = 0.25  # frames closer than this stand at one place of the grid
_GAP = 1.6  # a wider step than this leaves a frame out
_LEAST_STEP = math.radians(0.02)  # what turns less stands still
_BESIDE_MOST = math.radians(120.0)  # what stands farther apart is no neighbour: the zenith lies between
_COLUMN_SCATTER, _LEAST_SWEEP, _COLUMN_RATIO = math.radians(6.0), math.radians(10.0), 6.0
_NEAR_CLOSED = math.radians(270.0)  # a row this wide was likely meant to go all round
_PLAIN_STEP = 0.3  # of a step, by which the opening must be whole steps to say that it was meant to close


@dataclass(frozen=True, slots=True)
class Pose:
    """Where a frame looked in the head's axes, rad: yaw to the right, pitch up, roll turns x towards y."""

    yaw: float
    pitch: float
    roll: float


@dataclass(frozen=True, slots=True)
class Place:
    """One place of a row: its frames (more than one where it was shot again), and its column from 0."""

    frames: tuple[int, ...]
    yaw: float
    column: int


@dataclass(frozen=True, slots=True)
class Step:
    """From one place of a row to the next one on the right.

    Parameters
    ----------
    row : int
        From 0 at the top.
    left, right : Place
        Neighbours; at the seam of a full turn the last and the first of the row.
    turn : float
        Yaw from left to right, rad, > 0.
    missing : int
        How many frames the row's steps leave out between them.
    """

    row: int
    left: Place
    right: Place
    turn: float
    missing: int


@dataclass(frozen=True, slots=True)
class Row:
    """A row from left to right.

    Parameters
    ----------
    places : tuple of Place
        Yaws rise; those of all rows lie on one lap.
    steps : tuple of Step
        Between neighbours less than 120 degrees apart; of a full turn also from the last place to the first.
    step : float
        The usual step, rad; NaN where there is none to go by.
    pitch : float
        Median of its frames, rad.
    closed : bool
        Whether it goes all round.
    """

    places: tuple[Place, ...]
    steps: tuple[Step, ...]
    step: float
    pitch: float
    closed: bool

    @property
    def in_one_piece(self) -> bool:
        """Whether every place has its neighbour; rows that go over the zenith have not."""
        return len(self.steps) >= len(self.places) - 1

    @property
    def frames(self) -> tuple[int, ...]:
        """Its frames from left to right."""
        return tuple(i for place in self.places for i in place.frames)


@dataclass(frozen=True, slots=True)
class HeadGrid:
    """The used frames of a set as the head was turned.

    Parameters
    ----------
    axes : ndarray of shape (3, 3)
        Takes directions of the world to the head's axes: right, down along the pan axis, ahead.
    sigma : float
        Of the pan axis, rad; infinite where the set is one column, whose axes are the world's.
    cameras : dict
        Of the used frames, in the world.
    poses : dict
        Of the used frames, in the head's axes.
    rows : tuple of Row
        From the top.
    """

    axes: NDArray[np.float64]
    sigma: float
    cameras: dict[int, Camera]
    poses: dict[int, Pose]
    rows: tuple[Row, ...]

    @property
    def looks(self) -> dict[int, tuple[float, float]]:
        """Yaw and pitch of the used frames, in the head's axes."""
        return {i: (pose.yaw, pose.pitch) for i, pose in self.poses.items()}

    def row_of(self, frame: int) -> int:
        """In which row a frame stands."""
        return next(r for r, row in enumerate(self.rows) if frame in row.frames)


def head_grid(alignment: Alignment, *, unsteady: Collection[int] = ()) -> HeadGrid:
    """Sort the used frames into rows and steps.

    Parameters
    ----------
    alignment : Alignment
        At least one used frame.
    unsteady : collection of int
        Frames that are not to have a say in where the pan axis is.

    Raises
    ------
    ValueError
        If no frame is used.
    """
    used = alignment.used
    cameras = {i: c for i, c in ((i, alignment.frames[i].camera) for i in used) if c is not None}
    if not cameras:
        raise ValueError("a grid needs at least one used frame, got none")
    steady = [c for i, c in cameras.items() if i not in unsteady] or list(cameras.values())
    if _is_column([c.rotation for c in steady]):
        down, sigma = np.array([0.0, 1.0, 0.0]), math.inf
    else:
        found = estimate_pan_axis(steady)
        down, sigma = found.down, found.sigma
    axes = _axes(down)
    turned = {i: c.with_rotation(c.rotation @ axes.T) for i, c in cameras.items()}
    poses = {i: Pose(*yaw_pitch_roll(c.rotation.T)) for i, c in turned.items()}
    members: dict[int, list[tuple[int, int]]] = {}
    for i, (row, column) in zip(turned, rows_and_columns(list(turned.values())), strict=True):
        members.setdefault(row, []).append((column, i))
    ordered = [[i for _, i in sorted(members[r])] for r in sorted(members)]
    return HeadGrid(axes, sigma, cameras, poses, _rows(ordered, poses))


def _is_column(rotations: Sequence[NDArray[np.float64]]) -> bool:
    """Whether frames differ by their pitch alone: the head was not turned, so nothing tells its axis.

    Sight lines then sweep far more than the x axes scatter; in a row both do alike.
    """
    turns = np.stack(rotations)
    x = turns[:, 0].mean(axis=0)
    x /= max(float(np.linalg.norm(x)), 1e-12)
    off = float(np.sqrt(np.mean(np.arccos(np.clip(turns[:, 0] @ x, -1.0, 1.0)) ** 2)))
    sweep = float(np.arccos(np.clip(turns[:, 2] @ turns[:, 2].T, -1.0, 1.0)).max())
    return off < _COLUMN_SCATTER and sweep > max(_LEAST_SWEEP, _COLUMN_RATIO * off)


def _axes(down: NDArray[np.float64]) -> NDArray[np.float64]:
    ahead = np.array([0.0, 0.0, 1.0]) if abs(down[2]) < 0.9 else np.array([0.0, -1.0, 0.0])
    right = np.cross(down, ahead)
    right /= np.linalg.norm(right)
    return np.stack([right, down, np.cross(right, down)])


def _rows(ordered: Sequence[Sequence[int]], poses: dict[int, Pose]) -> tuple[Row, ...]:
    """Rows of frames given from left to right."""
    yaws = [_rising([poses[i].yaw for i in row]) for row in ordered]
    pitches = [float(np.median([poses[i].pitch for i in row])) for row in ordered]
    rises = [np.diff(y) for y in yaws]
    beside = [[d for d in rise.tolist() if d < _BESIDE_MOST] for rise in rises]
    usual = _usual_step([d for rise in beside for d in rise], math.nan)
    steps = [_usual_step(rise, usual) for rise in beside]
    widest = int(np.argmax([y[-1] - y[0] for y in yaws]))
    middle = float(yaws[widest][0] + yaws[widest][-1]) / 2.0
    lapped = [y + 2.0 * math.pi * round((middle - float(y[0] + y[-1]) / 2.0) / (2.0 * math.pi)) for y in yaws]
    first = min(float(y[0]) for y in lapped)
    return tuple(_row(r, row, lapped[r], steps[r], pitches[r], first) for r, row in enumerate(ordered))


def _rising(yaws: Sequence[float]) -> NDArray[np.float64]:
    """Yaws from left to right without the jump of a turn."""
    steps = np.remainder(np.diff(yaws), 2.0 * np.pi)
    return np.asarray(yaws[0] + np.concatenate([[0.0], np.cumsum(steps)]))


def _usual_step(rises: Sequence[float], otherwise: float) -> float:
    """The lower median of steps that are no repeats; gaps are wider and must not be taken for it."""
    if len(rises) < 3 and math.isfinite(otherwise):
        return otherwise
    if not rises:
        return math.nan
    widest = max(rises)
    real = sorted(d for d in rises if d > _SAME_PLACE * widest / 2.0) or sorted(rises)
    step = real[(len(real) - 1) // 2]
    return step if step > _LEAST_STEP else math.nan


def _row(
    number: int, frames: Sequence[int], yaws: NDArray[np.float64], step: float, pitch: float, first: float
) -> Row:
    known = math.isfinite(step) and step > 0.0
    groups: list[list[int]] = []
    at: list[float] = []
    for i, yaw in zip(frames, yaws.tolist(), strict=True):
        if groups and known and yaw - at[-1] < _SAME_PLACE * step:
            groups[-1].append(i)
        else:
            groups.append([i])
            at.append(yaw)
    column = max(0, round((at[0] - first) / step)) if known else 0
    places = []
    for k, group in enumerate(groups):
        if k:
            column += 1 + _missing(at[k] - at[k - 1], step)
        places.append(Place(tuple(group), at[k], column))
    steps = [
        Step(number, a, b, b.yaw - a.yaw, _missing(b.yaw - a.yaw, step))
        for a, b in pairwise(places)
        if b.yaw - a.yaw < _BESIDE_MOST
    ]
    closing = _closing(number, places, step) if known else None
    if closing is not None:
        steps.append(closing)
    closed = closing is not None and closing.missing == 0
    return Row(tuple(places), tuple(steps), step, pitch, closed)


def _missing(turn: float, step: float) -> int:
    if not math.isfinite(step) or turn < _GAP * step:
        return 0
    return max(1, round(turn / step) - 1)


def _closing(number: int, places: Sequence[Place], step: float) -> Step | None:
    """The step over the seam of a full turn: there, or missing where the row was surely meant to close."""
    span = places[-1].yaw - places[0].yaw
    left = 2.0 * math.pi - span
    if len(places) < 3 or not 0.0 < left < _BESIDE_MOST:
        return None
    missing = _missing(left, step)
    meant = span > _NEAR_CLOSED and abs(left / step - 2.0) < _PLAIN_STEP
    if missing == 0 or meant:
        return Step(number, places[-1], places[0], left, missing)
    return None
