"""How much neighbouring frames share, in the row and from row to row, by their measured cameras."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.head_grid import HeadGrid, Row, Step

_RAYS = 64  # along either side of a frame: the share is then counted to 0.8 percentage points
_BESIDE = 0.35  # of a frame's width, by which one may stand beside another and still be the one below it


@dataclass(frozen=True, slots=True)
class SharedStep:
    """What two neighbours of a row share: the frames of either place that share most, a left of b."""

    step: Step
    a: int
    b: int
    overlap: float


@dataclass(frozen=True, slots=True)
class SharedRows:
    """What a frame shares with the whole next row.

    Parameters
    ----------
    frame : int
        Of the upper or the lower row.
    towards : int
        The row that it is held against.
    nearest : int
        The frame of that row in whose direction it looks most.
    overlap : float
        Share of the frame's height that the row shows too, where the row reaches: the median over the frame's
        width; 0 to 1.
    """

    frame: int
    towards: int
    nearest: int
    overlap: float


def share_seen(camera: Camera, other: Camera) -> float:
    """Share of a frame's area that another sees too, by 64 x 64 rays."""
    return overlap_fraction(camera.rays(frame_grid(camera, _RAYS)), other)


def shared_steps(grid: HeadGrid) -> tuple[SharedStep, ...]:
    """Overlap at every step of every row, from the top row, from left to right."""
    out = []
    for row in grid.rows:
        for step in row.steps:
            best: tuple[float, int, int] | None = None
            for a in step.left.frames:
                for b in step.right.frames:
                    share = share_seen(grid.cameras[min(a, b)], grid.cameras[max(a, b)])
                    if best is None or share > best[0]:
                        best = (share, a, b)
            assert best is not None
            out.append(SharedStep(step, best[1], best[2], best[0]))
    return tuple(out)


def neighbouring_rows(grid: HeadGrid) -> tuple[tuple[int, int, float, bool], ...]:
    """Pairs of frames above each other: upper, lower, overlap, and whether they stand in one line."""
    out = []
    for upper, lower in pairwise(grid.rows):
        for a in upper.frames:
            b = _nearest(grid, a, lower.frames)
            share = share_seen(grid.cameras[min(a, b)], grid.cameras[max(a, b)])
            out.append((a, b, share, _in_line(grid, a, b)))
    return tuple(out)


def shared_rows(grid: HeadGrid) -> tuple[SharedRows, ...]:
    """What every frame shares with the row below it and the row above it, where that row reaches."""
    out = []
    for r, (upper, lower) in enumerate(pairwise(grid.rows)):
        for own, other, towards in ((upper, lower, r + 1), (lower, upper, r)):
            for frame in own.frames:
                depth = _depth(grid, frame, other)
                if depth is not None:
                    out.append(SharedRows(frame, towards, _nearest(grid, frame, other.frames), depth))
    return tuple(out)


def _depth(grid: HeadGrid, frame: int, row: Row) -> float | None:
    """See `SharedRows.overlap`; None where less than a quarter of the frame stands over the row."""
    camera = grid.cameras[frame]
    rays = camera.rays(frame_grid(camera, _RAYS))
    seen = np.zeros(len(rays), dtype=bool)
    for other in row.frames:
        seen |= grid.cameras[other].project(rays)[1]
    middle = rays.reshape(_RAYS, _RAYS, 3)[_RAYS // 2] @ grid.axes.T
    over = _within(np.arctan2(middle[:, 0], middle[:, 2]), grid, row)
    if np.count_nonzero(over) < _RAYS / 4:
        return None
    return float(np.median(seen.reshape(_RAYS, _RAYS).mean(axis=0)[over]))


def _within(yaw: NDArray[np.float64], grid: HeadGrid, row: Row) -> NDArray[np.bool_]:
    """Which yaws a row's frames stand over: within the middle 80 % of any frame's width."""
    out = np.zeros(yaw.shape, dtype=bool)
    for i in row.frames:
        half = 0.8 * half_width(grid, i)
        apart = np.remainder(yaw - grid.poses[i].yaw + np.pi, 2.0 * np.pi) - np.pi
        out |= np.abs(apart) < half
    return out


def half_width(grid: HeadGrid, frame: int) -> float:
    """Half the yaw that a frame spans at the height of its sight line, rad."""
    camera = grid.cameras[frame]
    flat = max(float(np.cos(grid.poses[frame].pitch)), 0.05)
    return float(np.arctan2(camera.width / 2.0 / camera.focal_px, flat))


def height_of(camera: Camera) -> float:
    """Angle from the lower to the upper edge of a frame, rad."""
    return float(2.0 * np.arctan(camera.height / 2.0 / camera.focal_px))


def _nearest(grid: HeadGrid, frame: int, others: Sequence[int]) -> int:
    """Of other frames, the one whose yaw is nearest; the first of equals."""
    yaw = grid.poses[frame].yaw
    apart = [abs((grid.poses[i].yaw - yaw + np.pi) % (2.0 * np.pi) - np.pi) for i in others]
    return others[int(np.argmin(apart))]


def _in_line(grid: HeadGrid, a: int, b: int) -> bool:
    apart = abs((grid.poses[a].yaw - grid.poses[b].yaw + np.pi) % (2.0 * np.pi) - np.pi)
    return bool(apart < _BESIDE * 2.0 * half_width(grid, a))
