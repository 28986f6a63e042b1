"""Where gravity points, on the best evidence there is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Level
from belvedere.align.level_by_hand import level_by_hand
from belvedere.align.level_evidence import Evidence, combine
from belvedere.align.level_tags import level_of_tags
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.said import HorizonPoint, PlumbLine
from belvedere.align.sea_horizon import find_sea_horizon
from belvedere.align.start import Mapper
from belvedere.align.verticals import find_verticals
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_MOST_FRAMES = 200  # that are searched for a horizon and for plumb lines, spread over the series
_HEAD = np.radians(2.0)  # how far a head is out of level, one sigma a direction; common practice, no source


def estimate_level(
    source: FrameSource,
    frames: Sequence[Frame],
    used: Sequence[int],
    cameras: Sequence[Camera],
    *,
    horizon_points: Sequence[HorizonPoint] = (),
    plumb_lines: Sequence[PlumbLine] = (),
    first_part: int | None = None,
    run: Mapper = map,
) -> tuple[NDArray[np.float64], Level]:
    """Find the turn that levels the world of the cameras, and say what it rests on.

    The photographer's word stands above all. Else roll and pitch tags, a sea horizon and plumb lines of
    buildings, weighted by their sigmas. Where these are silent the pan axis, as level as the head was.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    frames : sequence of Frame
        All frames of the series.
    used : sequence of int
        Frames of the block, one a camera.
    cameras : sequence of Camera
        World to camera in any common world.
    horizon_points, plumb_lines : sequences
        The photographer's word: two or more points of the horizon, or a plumb line.
    first_part : int or None
        Of so many frames the places against each other rest on tie points, of those after them on less: only
        the photographer's word is taken from these. None: of all.
    run : Mapper
        Applies a pure function to jobs in order; the result does not depend on it.

    Returns
    -------
    turn : ndarray of shape (3, 3), float64
        Takes directions of the cameras' world to the levelled one: a camera's rotation becomes R turn^T.
        Yaw 0 becomes the middle of the field; of a full turn, the middle frame's.
    level : Level
        Its sigma is the RMS of the whole tilt, rad.
    """
    sure_used, sure_cameras = used[:first_part], cameras[:first_part]
    axis = estimate_pan_axis(sure_cameras)
    evidence = [_against_gravity(axis)]
    said = level_by_hand(horizon_points, plumb_lines, used, cameras, axis)
    sure = said is not None and said.sigma < np.radians(0.5)
    if said is not None:
        evidence.append(said)
    if not sure:  # else nobody would be heard
        tags = level_of_tags([frames[i].metadata for i in sure_used], sure_cameras, axis)
        few = range(0, len(sure_used), -(-len(sure_used) // _MOST_FRAMES))
        some = [sure_used[k] for k in few], [sure_cameras[k] for k in few]
        sea = find_sea_horizon(source, *some, axis, run)
        upright = find_verticals(source, *some, axis, run)
        evidence += [e for e in (tags, sea, upright) if e is not None]
    level = axis if len(evidence) == 1 else combine(evidence)
    words = level.words
    if (horizon_points or plumb_lines) and said is None:
        words += "; two points of the horizon or a plumb line in used frames are needed, so what was set by "
        words += "hand had no say"
    return _turn(cameras, level.down), Level(level.source, level.sigma, words)


def _against_gravity(axis: Evidence) -> Evidence:
    """The pan axis as evidence of gravity: it may be out of level, however well it is known."""
    across = np.eye(3) - np.outer(axis.down, axis.down)
    return replace(axis, covariance=axis.covariance + _HEAD**2 * across)


def _turn(cameras: Sequence[Camera], down: NDArray[np.float64]) -> NDArray[np.float64]:
    """The levelled world's axes, as rows, in the cameras' world."""
    ahead = _ahead(np.stack([c.rotation[2] for c in cameras]), cameras, down)
    right = np.cross(down, ahead)
    right /= np.linalg.norm(right)
    return np.stack([right, down, np.cross(right, down)])


def _ahead(
    sight: NDArray[np.float64], cameras: Sequence[Camera], down: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A direction of yaw 0: middle of the field seen; where it goes all round, the middle frame's."""
    flat = sight - np.outer(sight @ down, down)
    size = np.linalg.norm(flat, axis=1)
    if size.max() < 0.1:  # straight up or down: the frames' own upper edges tell
        return np.asarray(np.stack([-c.rotation[1] for c in cameras]).mean(axis=0) + 1e-9 * sight[0])
    first = flat[np.argmax(size)]
    first = first / np.linalg.norm(first)
    right = np.cross(down, first)
    usable = np.flatnonzero(size >= 0.1)
    yaw = np.arctan2(flat[usable] @ right, flat[usable] @ first)
    half = np.array([np.arctan(cameras[i].width / 2.0 / cameras[i].focal_px) for i in usable.tolist()])
    order = np.argsort(yaw, kind="stable")
    gaps = np.diff(np.append(yaw[order], yaw[order[0]] + 2.0 * np.pi))
    widest = int(np.argmax(gaps))
    after = order[(widest + 1) % len(order)]
    if gaps[widest] < half[order[widest]] + half[after]:  # seen all round
        middle = yaw[len(yaw) // 2]
    else:
        middle = yaw[after] + (2.0 * np.pi - gaps[widest]) / 2.0
    return np.asarray(np.cos(middle) * first + np.sin(middle) * right)
