"""Which stop of a shoot plan every frame of a set was taken at. The world's yaw zero is found along."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.stops import Stop

_NEAR = 0.45  # of a step, or of the way to the next row, within which a frame stands at a stop
_ALONE = 0.25  # of a frame's height, likewise where the plan has one row; of its width for a single stop
_TRIED = 16  # frames, spread over the set, that offsets are taken from
_FEW = 60  # frames, spread over the set, by which offsets are sorted out
_TOGETHER = math.radians(1.0)  # a head is set to a mark no better than this by eye
_SAME_RAD = math.radians(0.25)  # offsets closer than this are one


@dataclass(frozen=True, slots=True)
class PlanMatch:
    """A set held against its plan.

    Parameters
    ----------
    plan : ShootPlan
    yaw, pitch : float
        What is to be taken off a frame's yaw and pitch in the head's axes to have the plan's, rad.
    frames_at : mapping of int to tuple of int
        The frames at every stop, by its number; the first is the one shot first. Empty where none is.
    """

    plan: ShootPlan
    yaw: float
    pitch: float
    frames_at: Mapping[int, tuple[int, ...]]

    @property
    def matched(self) -> tuple[int, ...]:
        """Frames that stand at a stop."""
        return tuple(sorted(i for frames in self.frames_at.values() for i in frames))

    @property
    def shot(self) -> tuple[Stop, ...]:
        """Stops with a frame, in shooting order."""
        return tuple(s for s in self.plan.stops() if self.frames_at[s.number])

    @property
    def open(self) -> tuple[Stop, ...]:
        """Stops without a frame, in shooting order."""
        return tuple(s for s in self.plan.stops() if not self.frames_at[s.number])

    def stop_near(self, yaw: float, pitch: float) -> Stop | None:
        """The stop at a yaw and pitch of the head's axes, rad; None where there is none near."""
        stops = self.plan.stops()
        near = _Stops(self.plan, stops).nearest(np.array([[yaw - self.yaw, pitch - self.pitch]]))[0]
        return stops[near] if near >= 0 else None

    def head_yaw(self, yaw: float) -> float:
        """A yaw of the head's axes as turn from the first stop, rad, -pi to pi; to the right."""
        return math.remainder(yaw - self.yaw - self.plan.stops()[0].yaw, 2.0 * math.pi)


def match_plan(plan: ShootPlan, looks: Mapping[int, tuple[float, float]]) -> PlanMatch:
    """Find the offset of yaw that brings most frames to stops, and who stands where.

    Of offsets that bring as many stops a frame the one is taken in which the frames were shot most nearly in
    the plan's order: a row that is short of a frame fits twice, a full turn as often as it has stops.
    Afterwards yaw settles where most frames are off alike, the earliest of equals (a step
    too wide somewhere turns all that follow), and pitch in the median.

    Parameters
    ----------
    plan : ShootPlan
    looks : mapping of int to (yaw, pitch)
        Where every frame looked in the head's axes, rad, by its place in the order shot, from 0; not empty.
    """
    frames = sorted(looks)
    poses = np.array([looks[i] for i in frames])
    stops = plan.stops()
    held = _Stops(plan, stops)
    few = poses[:: max(1, len(poses) // _FEW)]
    offsets = _offsets(poses, held)
    counts = [int(np.count_nonzero(held.nearest(few - np.array([o, 0.0])) >= 0)) for o in offsets]
    likely = [o for o, n in zip(offsets, counts, strict=True) if n == max(counts)]
    best: tuple[tuple[int, int, int, float, float], float] | None = None
    for offset in likely:
        at = held.nearest(poses - np.array([offset, 0.0]))
        score = (*_score(at, stops, frames), -_spread(poses, at, held, offset), -abs(offset))
        if best is None or score > best[0]:
            best = (score, offset)
    assert best is not None
    yaw, pitch = best[1], 0.0
    for _ in range(2):
        at = held.nearest(poses - np.array([yaw, pitch]))
        own = at >= 0
        if not own.any():
            break
        off = poses[own] - held.poses[at[own]]
        yaw += _where_most(_wrapped(off[:, 0] - yaw))
        pitch = float(np.median(off[:, 1]))
    at = held.nearest(poses - np.array([yaw, pitch]))
    found: dict[int, list[int]] = {s.number: [] for s in stops}
    for i, k in zip(frames, at.tolist(), strict=True):
        if k >= 0:
            found[stops[k].number].append(i)
    return PlanMatch(plan, yaw, pitch, {number: tuple(own) for number, own in found.items()})


def presumed(match: PlanMatch, unplaced: Sequence[int]) -> dict[int, int]:
    """The frame most likely at stops without one, by stop number, of frames that could not be placed.

    They were shot in the plan's order, after the placed frame before them. Of the open stops that follow its
    own they take the last ones: it is in front of them that something is missing, or they would join.
    """
    number_of = {i: number for number, own in match.frames_at.items() for i in own}
    out: dict[int, int] = {}
    runs: dict[int, list[int]] = {}
    for i in sorted(unplaced):
        before = [k for k in sorted(number_of) if k < i]
        runs.setdefault(number_of[before[-1]] if before else 0, []).append(i)
    for last, own in runs.items():
        open_: list[int] = []
        while match.frames_at.get(last + len(open_) + 1, (0,)) == ():
            open_.append(last + len(open_) + 1)
        taken = open_[-len(own) :] if last else open_[: len(own)]
        out |= dict(zip(taken, own[-len(taken) :] if taken else (), strict=True))
    return out


class _Stops:
    """Where the stops are, and how near a frame must be to one."""

    def __init__(self, plan: ShootPlan, stops: Sequence[Stop]) -> None:
        self.poses = np.array([[s.yaw, s.pitch] for s in stops])
        width, height = (side / plan.focal_px for side in plan.frame_px)
        steps = [row.step if len(row.stops) > 1 else 4.0 * _ALONE * width for row in plan.rows]
        pitches = [row.pitch for row in plan.rows]
        apart = [abs(a - b) for a, b in pairwise(pitches)]
        between = min(apart) if apart else _ALONE / _NEAR * height
        self.reach = np.array([[_NEAR * steps[s.row], _NEAR * between] for s in stops])

    def nearest(self, poses: NDArray[np.float64]) -> NDArray[np.int64]:
        """Which stop every pose (n, 2) of the plan's own yaw and pitch is at; -1: none."""
        yaw = np.abs(_wrapped(self.poses[None, :, 0] - poses[:, None, 0])) / self.reach[:, 0]
        pitch = np.abs(self.poses[None, :, 1] - poses[:, None, 1]) / self.reach[:, 1]
        share = np.maximum(yaw, pitch)
        nearest = np.argmin(share, axis=1)
        reached = share[np.arange(len(poses)), nearest] <= 1.0
        return np.where(reached, nearest, -1)


def _offsets(poses: NDArray[np.float64], held: _Stops) -> list[float]:
    """Offsets of yaw that bring some frame to some stop, those alike once."""
    tried = poses[:: max(1, len(poses) // _TRIED)]
    every = _wrapped((tried[:, None, 0] - held.poses[None, :, 0]).ravel())
    cells = np.round(every / _SAME_RAD).astype(np.int64)
    _, first = np.unique(cells, return_index=True)
    return [float(v) for v in every[np.sort(first)]]


def _score(at: NDArray[np.int64], stops: Sequence[Stop], frames: Sequence[int]) -> tuple[int, int, int]:
    """How many stops have a frame, how many frames follow the plan's order, how many have its very number."""
    shot = [(i, stops[k].number) for i, k in zip(frames, at.tolist(), strict=True) if k >= 0]
    in_order = sum(b - a == j - i for (i, a), (j, b) in pairwise(shot))
    begun = 1 if shot and shot[0][1] == 1 else 0
    numbered = sum(number == i + 1 for i, number in shot)
    return len({number for _, number in shot}), in_order + (begun or numbered > 0), numbered


def _spread(poses: NDArray[np.float64], at: NDArray[np.int64], held: _Stops, offset: float) -> float:
    own = at >= 0
    if not own.any():
        return 0.0
    return float(np.std(_wrapped(poses[own, 0] - held.poses[at[own], 0] - offset)))


def _where_most(off: NDArray[np.float64]) -> float:
    """Median of the values that lie together most densely, in the order given."""
    close = np.abs(off[:, None] - off[None, :]) < _TOGETHER
    return float(np.median(off[close[int(np.argmax(close.sum(axis=1)))]]))


def _wrapped(angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles within a half turn either way."""
    return np.asarray(np.remainder(angle + np.pi, 2.0 * np.pi) - np.pi)
