"""Choose the projection, the view and the size of the plate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.field import Field, measure_field
from belvedere.errors import BelvedereError, NothingToMake
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate, Projection, direction_to_plane, pannini_yaw_limit
from belvedere.geometry.projection_choice import projection_for, turn_width
from belvedere.geometry.rotation import pose_matrix, rotation_y, yaw_pitch_roll

_CYLINDERS = ("equirectangular", "cylindrical", "mercator")
"""Projections whose columns are yaw."""

# Our own bound, degrees (common practice, no published source): the farthest off its axis a level rectilinear
# plate is drawn; a detail is drawn 1/cos^2 as tall there (3.0 times).
_OFF_AXIS_DEG = 55.0
# From here on an upright plate tears the picture about the pole; frames below the second say whether a set
# goes all round.
_STEEP_DEG = 75.0
_ROUND_DEG = 60.0
# Where the projections end for practical purposes, degrees from axis or equator: 1/cos^2 is 130 at 85.
_END_DEG = 85.0
_STEREOGRAPHIC_END_DEG = 175.0


@dataclass(frozen=True, slots=True)
class LayoutOptions:
    """What the person may force; None leaves it to the field of view.

    Parameters
    ----------
    projection : str or None
        One of `PROJECTIONS`.
    centre_yaw : float or None
        Yaw the plate looks at, rad. It has no say on a plate turned out of the level, nor where columns are
        yaw and the field is no full turn: the picture would be the same.
    pixels_per_radian : float or None
        px per radian at the plate's centre, > 0; None: the largest focal length of the frames in px, so
        that no frame loses detail. Rounded up to a whole number of pixels on a full turn.
    d : float
        Pannini's parameter, >= 0.
    """

    projection: Projection | None = None
    centre_yaw: float | None = None
    pixels_per_radian: float | None = None
    d: float = 1.0


def choose_plate(cameras: Sequence[Camera], options: LayoutOptions | None = None) -> tuple[Plate, str]:
    """Choose the plate that holds all that the cameras see, and say why.

    The plate is level with its verticals straight wherever that does not tear the picture; a set over the
    zenith gets a plate turned so that the sweep of its axes is the equator.

    Parameters
    ----------
    cameras : sequence of Camera
        Of the used frames, in the order of the series.
    options : LayoutOptions

    Returns
    -------
    plate : Plate
        Its rectangle is the tight bounding box of the frames, rounded outwards.
    why : str
        The choice in plain words with its numbers.

    Raises
    ------
    NothingToMake
        If there are no cameras.
    BelvedereError
        If a forced projection cannot show the field, or a number is out of its range.
    """
    options = options or LayoutOptions()
    if not cameras:
        raise NothingToMake("no frame could be placed, so there is nothing to lay out")
    s = options.pixels_per_radian or max(c.focal_px for c in cameras)
    if not (math.isfinite(s) and s > 0.0) or not options.d >= 0.0:
        raise BelvedereError("pixels per radian must be above 0 and pannini's d at least 0")
    pose, turned = _choose_pose(cameras, options)
    field = measure_field(cameras, pose)
    yaw = _start_of_turn(cameras, pose) if field.full_turn else field.yaw
    projection, words = _choose_projection(field, options)
    if options.centre_yaw is not None and not turned and (field.full_turn or projection not in _CYLINDERS):
        yaw = options.centre_yaw
    level = pose
    pose = level @ rotation_y(yaw)
    if projection == "rectilinear" and options.projection is None and not _stays_on_axis(field, yaw):
        pitched = _aimed_pose(cameras, level)
        if pitched is not None:
            pose, words = pitched, words + "; turned up or down to the middle of the field"
    # the middle stays the one found above: of two equal gaps another might be taken now
    middle = math.remainder(field.yaw - yaw, 2.0 * math.pi)
    field = replace(measure_field(cameras, pose), yaw=middle)
    _check_limits(field, projection, options.d)
    if turned:
        words += "; the field reaches the zenith or nadir, so the plate is turned and its equator follows it"
    plate = _rectangle(field, projection, s, pose, options)
    return plate, words + "."


def _choose_pose(cameras: Sequence[Camera], options: LayoutOptions) -> tuple[NDArray[np.float64], bool]:
    """The plate's pose up to its yaw, and whether it is turned out of the level."""
    level = np.eye(3)
    field = measure_field(cameras, level)
    if math.degrees(field.steepest) <= _STEEP_DEG or options.projection == "equirectangular":
        return level, False
    axes = np.array([c.rotation[2] for c in cameras])
    flat = [c for c, a in zip(cameras, axes, strict=True) if abs(a[1]) < math.sin(math.radians(_ROUND_DEG))]
    if flat and measure_field(flat, level).full_turn:
        return level, False
    return _sweep_pose(cameras, axes), True


def _sweep_pose(cameras: Sequence[Camera], axes: NDArray[np.float64]) -> NDArray[np.float64]:
    """A pose whose equator is the great circle nearest to the axes, x along the sweep; yaw still open."""
    _, vectors = np.linalg.eigh(axes.T @ axes)
    normal = vectors[:, 0] if len(cameras) > 1 else cameras[0].rotation[1]
    if np.abs(axes @ vectors[:, 1]).max() < 1e-3:  # one direction only: no sweep, keep the frame's own up
        normal = cameras[0].rotation[1]
    forward = axes.mean(axis=0)
    forward = forward - normal * (forward @ normal)
    if np.linalg.norm(forward) < 1e-6:
        forward = vectors[:, 2] - normal * (vectors[:, 2] @ normal)
    forward /= np.linalg.norm(forward)
    # of the two senses take the one whose own frames look more upright, then the one with positive roll
    down = normal / np.linalg.norm(normal)
    upright = float(sum(c.rotation[1] @ down for c in cameras)) / len(cameras)
    pose = np.stack([np.cross(down, forward), down, forward], axis=1)
    if upright < -0.1 or (abs(upright) <= 0.1 and yaw_pitch_roll(pose)[2] < 0.0):
        pose[:, :2] *= -1.0
    return pose


def _start_of_turn(cameras: Sequence[Camera], pose: NDArray[np.float64]) -> float:
    """The yaw to put in the middle of a full turn: the picture begins where the series begins."""
    first = measure_field(cameras[:1], pose)
    if first.full_turn:
        return 0.0
    forward = 1.0
    if len(cameras) > 1:
        second = cameras[1].rotation[2] @ pose
        turn = math.atan2(second[0], second[2]) - first.yaw
        forward = 1.0 if math.sin(turn) >= 0.0 else -1.0
    return first.yaw + forward * (math.pi - first.wide / 2.0)


def _choose_projection(field: Field, options: LayoutOptions) -> tuple[Projection, str]:
    wide, tall, steepest = (math.degrees(a) for a in (field.wide, field.tall, field.steepest))
    size = f"the field is {wide:.0f} x {tall:.0f} degrees"
    if field.full_turn:
        size = f"the field is a full turn, {tall:.0f} degrees high"
    if options.projection is not None:
        return options.projection, f"{options.projection}, as asked; {size}"
    projection = projection_for(field.wide, field.tall, field.steepest)
    match projection:
        case "rectilinear":
            why = f"{size}, and up to about 70 degrees straight lines stay straight"
        case "pannini":
            why = (
                f"{size}; beyond 70 and up to about 150 degrees across it keeps verticals straight "
                "without stretching the sides"
            )
        case "cylindrical":
            why = (
                f"{size}, more than the 150 across that pannini shows well, and it reaches only "
                f"{steepest:.0f} degrees off the horizon"
            )
        case _:
            why = (
                f"{size} and reaches {steepest:.0f} degrees off the horizon, "
                "where the others stretch too much"
            )
    return projection, f"{projection}: {why}"


def _stays_on_axis(field: Field, yaw: float) -> bool:
    """Whether a level rectilinear plate at `yaw` sees all within `_OFF_AXIS_DEG` of its axis."""
    axis = np.array([math.sin(yaw), 0.0, math.cos(yaw)])
    return bool((field.rays @ axis).min() >= math.cos(math.radians(_OFF_AXIS_DEG)))


def _aimed_pose(cameras: Sequence[Camera], level: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """A pose that looks at the middle of the field, roll 0; None if that sees farther off its axis still."""
    rays = measure_field(cameras, level).rays
    middle = rays.mean(axis=0)
    yaw = math.atan2(middle[0], middle[2])
    pitch = math.atan2(-middle[1], math.hypot(middle[0], middle[2]))
    pose = level @ pose_matrix(yaw, pitch, 0.0)
    reach = (rays @ (middle / np.linalg.norm(middle))).min()
    return pose if reach >= math.cos(math.radians(_OFF_AXIS_DEG)) else None


def _check_limits(field: Field, projection: Projection, d: float) -> None:
    """Raise where the projection cannot show the field about its own axis."""
    off_axis = math.degrees(math.acos(max(-1.0, min(1.0, float(field.rays[:, 2].min())))))
    pole = field.steepest >= math.pi / 2
    steepest = math.degrees(field.steepest)
    sideways = math.pi if field.full_turn else abs(field.yaw) + field.wide / 2.0
    beyond = ""
    match projection:
        case "rectilinear":
            if off_axis > _END_DEG or (pole and field.full_turn and off_axis > 90.0):
                beyond = f"ends {_END_DEG:.0f} degrees off its axis, and the frames reach {off_axis:.0f}"
        case "stereographic":
            if off_axis > _STEREOGRAPHIC_END_DEG or _sees_back(field):
                beyond = f"ends {_STEREOGRAPHIC_END_DEG:.0f} degrees off its axis, and the frames go beyond"
        case "cylindrical" | "mercator" | "pannini":
            if steepest > _END_DEG:
                beyond = f"ends {_END_DEG:.0f} degrees off the horizon, and the frames reach {steepest:.0f}"
            limit = pannini_yaw_limit(d) - math.radians(90.0 - _END_DEG)
            if projection == "pannini" and sideways > limit:
                beyond = (
                    f"with d = {d:g} ends {math.degrees(limit):.0f} degrees to either side, and the frames "
                    f"reach {math.degrees(sideways):.0f}"
                )
        case "equirectangular":
            pass
    if beyond:
        raise BelvedereError(
            f"the {projection} projection {beyond}: choose equirectangular, or leave the choice to Belvedere"
        )


def _sees_back(field: Field) -> bool:
    """Whether the direction straight behind lies inside the field as far as pitch and yaw tell."""
    behind = field.full_turn or abs(field.yaw) + field.wide / 2.0 >= math.pi
    return behind and field.low < 0.0 < field.high


def _rectangle(
    field: Field, projection: Projection, s: float, pose: NDArray[np.float64], options: LayoutOptions
) -> Plate:
    """The plate of this pose that just holds the field."""
    wraps = projection in _CYLINDERS and field.full_turn
    if wraps:
        width = turn_width(s)
        s = width / (2.0 * math.pi)
    plane = direction_to_plane(projection, field.rays, d=options.d)
    top, bottom = float(plane[:, 1].min()) * s, float(plane[:, 1].max()) * s
    if projection == "equirectangular":
        top = -math.pi / 2 * s if field.high >= math.pi / 2 else top
        bottom = math.pi / 2 * s if field.low <= -math.pi / 2 else bottom
    first_row, last_row = math.floor(top), math.ceil(bottom)
    if wraps:
        first_column = -(width // 2)
    else:
        left, right = float(plane[:, 0].min()) * s, float(plane[:, 0].max()) * s
        first_column = math.floor(left)
        width = math.ceil(right) - first_column + 1
    angles = [a + 0.0 for a in yaw_pitch_roll(pose)]  # no negative zeros
    return Plate(
        projection,
        width,
        last_row - first_row + 1,
        s,
        (float(-first_column), float(-first_row)),
        (angles[0], angles[1], angles[2]),
        options.d,
        wraps,
    )
