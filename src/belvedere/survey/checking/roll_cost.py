"""What a rolled frame costs the picture: overlap with its neighbours, and height of the crop."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import direction, pose_matrix
from belvedere.survey.checking.head_grid import HeadGrid
from belvedere.survey.checking.neighbours import half_width, height_of, share_seen

_ACROSS, _UP = 48, 240  # directions that are looked at over the frame's width, and over its height


@dataclass(frozen=True, slots=True)
class RollCost:
    """What a frame's roll takes away.

    Parameters
    ----------
    lost : float
        Height of the strip that the set shows without a gap over the frame's width, less than if it stood
        upright, as a share of the frame's height; >= 0.
    overlaps : tuple of (int, float, float)
        Its neighbours in the row, the share of a frame they have in common with it, and the same if it stood
        upright.
    """

    lost: float
    overlaps: tuple[tuple[int, float, float], ...]


def roll_cost(grid: HeadGrid, frame: int, upright_roll: float) -> RollCost:
    """What a frame's roll costs against the roll of the others, rad."""
    camera, pose = grid.cameras[frame], grid.poses[frame]
    as_meant = camera.with_rotation(pose_matrix(pose.yaw, pose.pitch, upright_roll).T @ grid.axes)
    others = [c for i, c in grid.cameras.items() if i != frame]
    rays = _rays(grid, frame)
    around = np.zeros(rays.shape[:2], dtype=np.int64)
    for other in others:
        around += other.project(rays)[1]
    whole = [_whole_rows(around, c, rays) for c in (as_meant, camera)]
    step = 2.0 * height_of(camera) / _UP
    lost = max(0.0, (whole[0] - whole[1]) * step / height_of(camera))
    if whole[0] == 0:  # no strip to compare with, a leaning head or a ragged set: as if it stood alone
        lost = abs(math.sin(pose.roll - upright_roll)) * camera.width / camera.height
    own = _neighbours(grid, frame)
    overlaps = tuple(
        (i, share_seen(camera, grid.cameras[i]), share_seen(as_meant, grid.cameras[i])) for i in own
    )
    return RollCost(lost, overlaps)


def _rays(grid: HeadGrid, frame: int) -> NDArray[np.float64]:
    """Directions (up, across, 3) in the world, over the middle of the frame's width and twice its height."""
    pose, half = grid.poses[frame], half_width(grid, frame)
    height = height_of(grid.cameras[frame])
    yaw = pose.yaw + np.linspace(-0.9, 0.9, _ACROSS) * half
    pitch = np.clip(pose.pitch + np.linspace(1.0, -1.0, _UP) * height, -math.pi / 2.0, math.pi / 2.0)
    return np.asarray(direction(yaw[None, :], pitch[:, None]) @ grid.axes)


def _whole_rows(around: NDArray[np.int64], camera: Camera, rays: NDArray[np.float64]) -> int:
    """How many rows of directions are shown from end to end, in one piece around the frame's middle."""
    whole: NDArray[np.bool_] = np.all((around > 0) | camera.project(rays)[1], axis=1)
    middle = len(whole) // 2
    if not whole[middle]:
        return 0
    up = int(np.argmin(whole[middle::-1])) if not whole[middle::-1].all() else middle + 1
    down = int(np.argmin(whole[middle:])) if not whole[middle:].all() else len(whole) - middle
    return up + down - 1


def _neighbours(grid: HeadGrid, frame: int) -> list[int]:
    """The frames beside it in its row, left before right."""
    out: list[int] = []
    for step in grid.rows[grid.row_of(frame)].steps:
        if frame in step.right.frames:
            out.insert(0, step.left.frames[0])
        elif frame in step.left.frames:
            out.append(step.right.frames[0])
    return out
