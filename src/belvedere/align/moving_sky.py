"""Clouds that drift: details that agree with each other between two exposures and have moved all the same.

Between frames that the ground holds, drifting clouds show as matches that agree with one another, lie higher
than those that hold, and are off by more the longer the time between the two exposures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.start import Matches, Sights
from belvedere.geometry.camera import Camera

# Common practice, no published source; checked on simulated sets with moving clouds.
_STILL = 1.5  # px of the reduced copies, within which a match holds
_MOVED = 3.0  # from which it has moved
_TOGETHER = 2.0  # within which matches have moved alike
_LEAST = 8  # matches of a pair that moved alike
_FASTEST = 0.01  # rad per second: a low cloud in a storm, high up
_PAIRS = 2  # that must show it
_SAME_WAY = 0.5  # cosine between a pair's drift and that of all
_AS_FAST = 3.0  # times faster or slower: near the horizon and above it
_MOST_ALIKE = 0.7  # share of the pairs whose drift must be like that of all
_BIN = math.radians(6.0)  # of yaw, in which the skyline is taken as level
_NEAREST = 60  # details that tell the skyline where fewer lie near


@dataclass(frozen=True, slots=True)
class MovingSky:
    """Clouds seen to drift.

    Parameters
    ----------
    rate : float
        How fast they move past, rad per second: median over pairs of frames.
    still, moved : ndarrays of shape (n, 2)
        Yaw and pitch, about `down`, of details that hold and of such that moved, rad.
    down : ndarray of shape (3,)
        In the world of the block.
    """

    rate: float
    still: NDArray[np.float64]
    moved: NDArray[np.float64]
    down: NDArray[np.float64]

    def is_sky(self, directions: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether world directions (n, 3) look above the line that best parts what holds from what moved."""
        at = angles_about(directions, self.down)
        bins = np.floor(at[:, 0] / _BIN).astype(int)
        out = np.zeros(len(at), dtype=bool)
        for b in np.unique(bins):
            own = bins == b
            out[own] = at[own, 1] > self._skyline((b + 0.5) * _BIN)
        return out

    def _skyline(self, yaw: float) -> float:
        """Pitch above which more of what moved lies, and less of what holds, than above any other."""
        still, moved = (_nearest(v, yaw) for v in (self.still, self.moved))
        every = np.sort(np.concatenate([still, moved]))
        above = len(moved) - np.searchsorted(np.sort(moved), every, side="right")
        wrong = len(still) - np.searchsorted(np.sort(still), every, side="right")
        return float(every[int(np.argmax(above / len(moved) - wrong / len(still)))])


def find_moving_sky(
    sights: Sights,
    frames: Sequence[int],
    cameras: Sequence[Camera],
    matches: Matches,
    seconds: Sequence[float],
    down: NDArray[np.float64],
) -> MovingSky | None:
    """Look for drifting clouds between the frames of a solved block.

    Parameters
    ----------
    matches : dict
        All feature matches, by pair.
    seconds : sequence of float
        When every frame of the series was exposed.
    down : ndarray of shape (3,)
        In the block's world, roughly.
    """
    camera_of = dict(zip(frames, cameras, strict=True))
    rates: list[NDArray[np.float64]] = []
    still: list[NDArray[np.float64]] = []
    gone: list[NDArray[np.float64]] = []
    for (a, b), m in sorted(matches.items()):
        lapse = abs(seconds[b] - seconds[a])
        if a not in camera_of or b not in camera_of or len(m) < 2 * _LEAST or lapse <= 0.0:
            continue
        ca, cb = camera_of[a], camera_of[b]
        pixel = max(sights.features[a].pixel, sights.features[b].pixel) / ca.focal_px
        ra, rb = ca.rays(sights.features[a].points[m[:, 0]]), cb.rays(sights.features[b].points[m[:, 1]])
        off = rb - ra
        length = np.linalg.norm(off, axis=1)
        holds = length < _STILL * pixel
        moved = np.flatnonzero((length > _MOVED * pixel) & (length < _FASTEST * lapse))
        if np.count_nonzero(holds) < _LEAST:
            continue
        at, at_a, at_b = (angles_about(v, down) for v in (ra + rb, ra, rb))
        alike = _alike(off[moved], _TOGETHER * pixel)
        if len(alike) < _LEAST:
            continue
        group = moved[alike]
        if np.percentile(at[group, 1], 25.0) <= np.percentile(at[holds, 1], 75.0):
            continue
        turn = at_b[group] - at_a[group]
        turn[:, 0] = (np.remainder(turn[:, 0] + math.pi, 2.0 * math.pi) - math.pi) * np.cos(at[group, 1])
        rates.append(np.median(turn, axis=0) / (seconds[b] - seconds[a]))
        still.append(at[holds])
        gone.append(at[group])
    if len(rates) < _PAIRS:
        return None
    wind = np.median(rates, axis=0)
    rate = float(np.linalg.norm(wind))
    along = np.array(rates) @ wind / max(rate, 1e-12)
    size = np.linalg.norm(rates, axis=1)
    like = (along > _SAME_WAY * size) & (size > rate / _AS_FAST) & (size < rate * _AS_FAST)
    if np.mean(like) < _MOST_ALIKE:
        return None  # matches that repeat are off by the same whatever the time: no wind does that
    return MovingSky(rate, np.concatenate(still), np.concatenate(gone), down)


def angles_about(directions: NDArray[np.float64], down: NDArray[np.float64]) -> NDArray[np.float64]:
    """Yaw and pitch (n, 2) of world directions about an axis; yaw from any start."""
    other = np.eye(3)[int(np.argmin(np.abs(down)))]
    right = np.cross(down, other)
    right /= np.linalg.norm(right)
    ahead = np.cross(right, down)
    x, y, z = directions @ right, directions @ down, directions @ ahead
    return np.stack([np.arctan2(x, z), np.arctan2(-y, np.hypot(x, z))], axis=1)


def _nearest(at: NDArray[np.float64], yaw: float) -> NDArray[np.float64]:
    """Pitches of the details near a yaw, at least of the nearest few."""
    off = np.abs(np.remainder(at[:, 0] - yaw + math.pi, 2.0 * math.pi) - math.pi)
    if np.count_nonzero(off < _BIN) >= _NEAREST:
        return np.asarray(at[off < _BIN, 1])
    return np.asarray(at[np.argsort(off, kind="stable")[:_NEAREST], 1])


def _alike(off: NDArray[np.float64], within: float) -> NDArray[np.int64]:
    """The largest group of offsets (n, 3) that lie within so much of one of them, beyond chance."""
    if not len(off):
        return np.empty(0, dtype=np.int64)
    near = np.linalg.norm(off[:, None] - off[None, :], axis=2) < within
    count = near.sum(axis=1)
    group = np.flatnonzero(near[int(np.argmax(count))])
    reach = float(np.linalg.norm(off, axis=1).max())
    chance = len(off) * (within / max(reach, within)) ** 2
    return group if len(group) > chance + 4.0 * math.sqrt(chance) else np.empty(0, dtype=np.int64)
