"""Which frames the grid of a set lacks: within a row, at the end of a row, and where to point for them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.survey.checking.head_grid import HeadGrid, Pose, Row, Step
from belvedere.survey.checking.neighbours import SharedStep, half_width

LEAST_OVERLAP = 0.15
"""Under this a joint is not to be relied on; common practice, no published source."""
_SHORT = 0.75  # of a step, by which a row that ends early lacks a frame; common practice, no published source
_STEEP = math.radians(60.0)  # rows that look higher or lower span too much yaw to compare
_MOST_SHORT = 2  # frames at one end; a row shorter than that is likely meant so


@dataclass(frozen=True, slots=True)
class MissingFrame:
    """A frame that is not there.

    Parameters
    ----------
    row, column : int
        Place in the grid, from 0 at the top and at the left.
    near : int
        The frame on its left; at the left end of a row the one on its right.
    turn, lift : float
        From that frame to where to point: yaw to the right and pitch up, rad.
    end : "" or "left" or "right"
        At which end of the row it is missing, "" within the row.
    camera : Camera
        As it would have been, in the world.
    """

    row: int
    column: int
    near: int
    turn: float
    lift: float
    end: str
    camera: Camera


def lacks_frames(shared: SharedStep) -> bool:
    """Whether a step leaves out frames that the picture needs: a wide step, or one without any overlap."""
    return shared.overlap < LEAST_OVERLAP and (shared.step.missing > 0 or shared.overlap <= 0.0)


def missing_within(grid: HeadGrid, shared: SharedStep) -> tuple[MissingFrame, ...]:
    """The frames that a step leaves out, from left to right."""
    count = max(1, shared.step.missing)
    left, right = grid.poses[shared.a], grid.poses[shared.b]
    step: Step = shared.step
    out = []
    for k in range(1, count + 1):
        share = k / (count + 1)
        turn, lift = step.turn * share, (right.pitch - left.pitch) * share
        camera = camera_beside(grid, shared.a, turn, lift)
        column = shared.step.left.column + k
        out.append(MissingFrame(step.row, column, shared.a, turn, lift, "", camera))
    return tuple(out)


def missing_at_ends(grid: HeadGrid) -> tuple[MissingFrame, ...]:
    """Frames by which a row ends earlier than the row that reaches farthest.

    Where a row lacks more than two frames at an end it is taken to be meant so.
    """
    out: list[MissingFrame] = []
    for number in rows_with_ends(grid):
        row = grid.rows[number]
        for end in ("left", "right"):
            short = shortfall(grid, row, end)
            if not math.isfinite(row.step) or short < _SHORT * row.step:
                continue
            count = max(1, round(short / row.step))
            if count > _MOST_SHORT:
                continue
            place = row.places[0 if end == "left" else -1]
            near = place.frames[0]
            sign = -1 if end == "left" else 1
            for k in range(1, count + 1):
                turn = sign * k * row.step
                camera = camera_beside(grid, near, turn, 0.0)
                out.append(MissingFrame(number, place.column + sign * k, near, turn, 0.0, end, camera))
    return tuple(out)


def rows_with_ends(grid: HeadGrid) -> tuple[int, ...]:
    """The rows that should begin and end together: none of a full turn, none near the zenith."""
    if any(row.closed for row in grid.rows):
        return ()
    own = [r for r, row in enumerate(grid.rows) if row.in_one_piece and abs(row.pitch) < _STEEP]
    return tuple(own) if len(own) > 1 else ()


def shortfall(grid: HeadGrid, row: Row, end: str) -> float:
    """By how much yaw one of `rows_with_ends` ends before the one that reaches farthest, rad, >= 0.

    By the outermost sight lines or by the outer edges, whichever is less: a row that looks up spans more yaw
    with every frame, whether it has as many of them or fewer.
    """
    rows = [grid.rows[r] for r in rows_with_ends(grid)]
    short = [
        max(_reach(grid, other, end, edges) for other in rows) - _reach(grid, row, end, edges)
        for edges in (False, True)
    ]
    return min(short)


def _reach(grid: HeadGrid, row: Row, end: str, edges: bool) -> float:
    """Yaw of a row's outermost sight line, or outer edge, outwards."""
    place = row.places[0 if end == "left" else -1]
    half = half_width(grid, place.frames[0]) if edges else 0.0
    return half - place.yaw if end == "left" else half + place.yaw


def camera_beside(grid: HeadGrid, near: int, turn: float, lift: float) -> Camera:
    """A camera like a frame's, upright in the head's axes, by so much yaw and pitch beside it, rad."""
    own: Pose = grid.poses[near]
    pose = pose_matrix(own.yaw + turn, own.pitch + lift, 0.0)
    return grid.cameras[near].with_rotation(pose.T @ grid.axes)
