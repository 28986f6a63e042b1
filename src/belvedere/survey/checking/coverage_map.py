"""A small map, in plain text, of what the frames of a set cover: yaw across, pitch upwards."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from belvedere.align.alignment import Alignment
from belvedere.align.overlaps import frame_grid
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import direction
from belvedere.survey.checking.head_grid import HeadGrid, head_grid
from belvedere.survey.checking.missing_frames import (
    camera_beside,
    lacks_frames,
    missing_at_ends,
    missing_within,
)
from belvedere.survey.checking.neighbours import shared_rows, shared_steps
from belvedere.survey.checking.zenith_sweep import zenith_sweep

ONCE, TWICE, OPEN, NOTHING = "-", "=", "O", " "
_TALL = 2.0  # a character is about twice as tall as wide
_SUB = 3  # rays along either side of a cell
_LEAST_COLUMNS, _MOST_LINES = 16, 40
_STRETCHED = math.radians(80.0)  # from this pitch on a map of yaw and pitch tells little


@dataclass(frozen=True, slots=True)
class CoverageMap:
    """What the frames cover.

    Parameters
    ----------
    along : bool
        Whether it is drawn along a sweep over the zenith, in place of yaw and pitch: 0 is the level where
        the sweep begins, 90 degrees the zenith; upwards is to the left of it.
    cells : ndarray of shape (rows, columns), int64
        How many frames cover the middle of a cell: 0, 1, 2 and more; -1 where a frame is missing.
    left, top, cell_width, cell_height : float
        Yaw of the left edge, pitch of the top edge, size of a cell, rad.
    wide, tall : float
        What the frames span from edge to edge, rad.
    once, twice : float
        Share of the covered solid angle that one frame shows, that two or more show.
    hole_fraction : float
        Solid angle that missing frames leave open over what is covered or left open.
    lines : tuple of str
        The map as text, with its scale and its legend.
    """

    along: bool
    cells: NDArray[np.int64]
    left: float
    top: float
    cell_width: float
    cell_height: float
    wide: float
    tall: float
    once: float
    twice: float
    hole_fraction: float
    lines: tuple[str, ...]


def coverage_map(alignment: Alignment, *, columns: int = 72) -> CoverageMap:
    """Draw what the used frames cover, and what missing ones leave open.

    Parameters
    ----------
    alignment : Alignment
        At least one used frame.
    columns : int
        Most characters a line has for cells, >= 16.

    Raises
    ------
    ValueError
        If no frame is used, or `columns` is under 16.
    """
    if columns < _LEAST_COLUMNS:
        raise ValueError(f"a map needs at least {_LEAST_COLUMNS} columns, got {columns}")
    grid = head_grid(alignment)
    cameras = [grid.cameras[i] for i in sorted(grid.cameras)]
    turned = [c.with_rotation(c.rotation @ grid.axes.T) for c in cameras]
    sweep = zenith_sweep(turned)
    lacking = _lacking(grid) if sweep is None else []
    if sweep is not None:
        cameras = [c.with_rotation(c.rotation @ sweep.axes.T) for c in turned]
    left, right, low, high = _field([*cameras, *lacking])
    width = max((right - left) / columns, (high - low) / _TALL / _MOST_LINES)
    across = max(1, math.ceil((right - left) / width - 1e-6))
    down = max(1, math.ceil((high - low) / (_TALL * width) - 1e-6))
    height = _TALL * width
    counts = _counts(cameras, left, high, width, height, across, down)
    open_ = _counts(lacking, left, high, width, height, across, down) > 0 if lacking else counts < 0
    # a middle ray is enough to say that a cell is covered, all rays must be open to say that it is not
    middle = counts.reshape(down, _SUB, across, _SUB)[:, _SUB // 2, :, _SUB // 2]
    seen = middle > 0
    lies_open = open_.reshape(down, _SUB, across, _SUB)[:, _SUB // 2, :, _SUB // 2] & ~seen
    lies_open |= _enclosed(seen, right - left >= 2.0 * math.pi - 1e-6)
    if sweep is not None:
        lies_open |= _between(seen)
    cells = np.where(lies_open, -1, middle).astype(np.int64)
    pitch = high - (np.arange(down * _SUB) + 0.5) * height / _SUB
    area = np.cos(pitch)[:, None] * np.ones(across * _SUB)
    covered = float(area[counts > 0].sum())
    bare = float((np.cos(high - (np.arange(down) + 0.5) * height)[:, None] * _SUB**2 * lies_open).sum())
    numbers = (
        float(area[counts == 1].sum()) / max(covered, 1e-12),
        float(area[counts > 1].sum()) / max(covered, 1e-12),
        bare / max(covered + bare, 1e-12),
    )
    own = _field(cameras)
    wide, tall = own[1] - own[0], own[3] - own[2]
    lines = _lines(cells, left, high, width, height, wide, tall, numbers, sweep is not None)
    return CoverageMap(sweep is not None, cells, left, high, width, height, wide, tall, *numbers, lines)


def _lacking(grid: HeadGrid) -> list[Camera]:
    """Cameras of the frames that are missing."""
    within = [m for s in shared_steps(grid) if lacks_frames(s) for m in missing_within(grid, s)]
    out = [m.camera for m in (*within, *missing_at_ends(grid))]
    for shared in shared_rows(grid):
        if shared.overlap <= 0.0 and shared.towards > grid.row_of(shared.frame):
            lift = (grid.poses[shared.nearest].pitch - grid.poses[shared.frame].pitch) / 2.0
            out.append(camera_beside(grid, shared.frame, 0.0, lift))
    return out


def _field(cameras: Sequence[Camera]) -> tuple[float, float, float, float]:
    """Yaw from left to right and pitch from low to high that cameras span, rad; a full turn is 2 pi wide."""
    yaws, pitches = [], []
    for c in cameras:
        rays = c.rays(frame_grid(c, 24))
        yaws.append(np.arctan2(rays[:, 0], rays[:, 2]))
        pitches.append(np.arctan2(-rays[:, 1], np.hypot(rays[:, 0], rays[:, 2])))
        poles = [s for s in (-1.0, 1.0) if c.project(np.array([0.0, s, 0.0]))[1]]
        pitches += [np.array([-s * np.pi / 2.0]) for s in poles]
    yaw, pitch = np.sort(np.concatenate(yaws)), np.concatenate(pitches)
    gaps = np.diff(np.append(yaw, yaw[0] + 2.0 * np.pi))
    widest = int(np.argmax(gaps))
    # a grid's rays lie 1/24 of a frame apart; what is less than a tenth of the narrowest frame is no gap
    narrow = min(min(c.width, c.height) / c.focal_px for c in cameras)
    if gaps[widest] < 0.1 * narrow:
        left, right = -math.pi, math.pi
    else:
        left = float(yaw[(widest + 1) % len(yaw)])
        right = left + 2.0 * math.pi - float(gaps[widest])
    return left, right, float(pitch.min()), float(pitch.max())


def _counts(
    cameras: Sequence[Camera], left: float, high: float, width: float, height: float, across: int, down: int
) -> NDArray[np.int64]:
    """How many cameras see every ray of the cells: (down * 3, across * 3)."""
    yaw = left + (np.arange(across * _SUB) + 0.5) * width / _SUB
    pitch = high - (np.arange(down * _SUB) + 0.5) * height / _SUB
    rays = direction(yaw[None, :], pitch[:, None])
    out = np.zeros(rays.shape[:2], dtype=np.int64)
    for camera in cameras:
        out += camera.project(rays)[1]
    return out


def _enclosed(seen: NDArray[np.bool_], closed: bool) -> NDArray[np.bool_]:
    """Cells that nothing shows, with covered ones all around."""
    if not closed:
        return np.asarray(ndimage.binary_fill_holes(seen) & ~seen)
    columns = seen.shape[1]
    thrice = np.concatenate([seen, seen, seen], axis=1)  # what lies at the seam is whole in the middle one
    return np.asarray((ndimage.binary_fill_holes(thrice) & ~thrice)[:, columns : 2 * columns])


def _between(seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells that nothing shows, with covered ones on the left and on the right."""
    after = np.maximum.accumulate(seen, axis=1)
    before = np.maximum.accumulate(seen[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(after & before & ~seen)


def _lines(
    cells: NDArray[np.int64],
    left: float,
    high: float,
    width: float,
    height: float,
    wide: float,
    tall: float,
    numbers: tuple[float, float, float],
    along: bool,
) -> tuple[str, ...]:
    across = cells.shape[1]
    marks = {-1: OPEN, 0: NOTHING, 1: ONCE}
    out = []
    shown = np.flatnonzero((cells != 0).any(axis=1))
    for r in range(int(shown[0]), int(shown[-1]) + 1) if len(shown) else ():
        text = "".join(marks.get(int(v), TWICE) for v in cells[r]).rstrip()
        out.append(f"{_whole_degrees(high - (r + 0.5) * height):>5} {text}".rstrip())
    out.append(f"{'':5} {_scale(left, width, across, along)}".rstrip())
    if along:
        out.append(f"{'':5} along the sweep: 0 the level where it begins, +90 the zenith")
    elif high > _STRETCHED or high - height * len(cells) < -_STRETCHED:
        out.append(f"{'':5} towards +90 and -90 the map is stretched: one frame there is as wide as a turn")
    once, twice, hole = numbers
    legend = f"{ONCE} one frame  {TWICE} two or more"
    legend += f"  {OPEN} a frame is missing" if (cells < 0).any() else ""
    out.append(f"{'':5} {legend}")
    share = f"; {100 * hole:.1f} % of the field lies open" if hole > 0.0 else ""
    out.append(
        f"{'':5} {math.degrees(wide):.0f} degrees {'long' if along else 'wide'}, {math.degrees(tall):.0f} "
        f"{'wide' if along else 'tall'}; "
        f"{100 * once:.0f} % shown once, {100 * twice:.0f} % twice or more{share}"
    )
    return tuple(out)


def _scale(left: float, width: float, across: int, along: bool) -> str:
    """Yaws under the map, at both ends and in the middle; along a sweep they count on beyond the zenith."""
    text = [" "] * across
    for at in (0, across // 2, across - 1):
        angle = left + (at + 0.5) * width
        word = f"{math.degrees(angle):+.0f}" if along else _whole_degrees(angle)
        start = min(max(0, at - len(word) // 2), max(0, across - len(word)))
        text[start : start + len(word)] = word
    return "".join(text)


def _whole_degrees(angle: float) -> str:
    value = round(math.degrees(math.remainder(angle, 2.0 * math.pi)))
    return f"{value:+d}" if value else "0"
