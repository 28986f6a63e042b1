"""The picture that a view gives: its projection, and its size on the plate."""

from __future__ import annotations

import math

import numpy as np

from belvedere.geometry.plate import Projection, direction_to_plane
from belvedere.geometry.projection_choice import projection_for, turn_width
from belvedere.geometry.rotation import direction, pose_matrix
from belvedere.plan.view import View

_PER_SIDE = 65


def projection_of(view: View) -> Projection:
    """The projection that suits a view."""
    return projection_for(view.wide, view.tall, view.steepest)


def extent_of(view: View, projection: Projection | None = None) -> tuple[float, float]:
    """Width and height of the plate that just holds a view, at one pixel per radian.

    Parameters
    ----------
    view : View
    projection : str or None
        None: the one that suits it. Rectilinear plates look at the view's middle, all others at its middle
        yaw and the level.
    """
    projection = projection or projection_of(view)
    if projection in ("equirectangular", "cylindrical"):
        if projection == "equirectangular":
            return view.wide, view.tall
        return view.wide, math.tan(view.pitch_high) - math.tan(view.pitch_low)
    yaws = np.linspace(view.yaw_left, view.yaw_right, _PER_SIDE)
    pitches = np.linspace(view.pitch_low, view.pitch_high, _PER_SIDE)
    border = np.concatenate(
        [direction(yaws, p) for p in (view.pitch_low, view.pitch_high)]
        + [direction(y, pitches) for y in (view.yaw_left, view.yaw_right)]
    )
    pose = pose_matrix(view.yaw, view.pitch if projection == "rectilinear" else 0.0, 0.0)
    plane = direction_to_plane(projection, border @ pose)
    across, down = np.ptp(plane, axis=0).tolist()
    return float(across), float(down)


def picture_size(view: View, pixels_per_radian: float) -> tuple[Projection, int, int]:
    """Projection, width and height in px of the picture of a view.

    Parameters
    ----------
    view : View
    pixels_per_radian : float
        At its middle: the lens's focal length in px, > 0.

    Returns
    -------
    projection : str
    width, height : int
        Rounded up; a full turn on a cylinder or sphere is a few pixels wider, as its plate is.
    """
    projection = projection_of(view)
    across, down = extent_of(view, projection)
    width = max(1, math.ceil(across * pixels_per_radian - 1e-6))
    if view.full_turn:
        width = turn_width(pixels_per_radian)
    return projection, width, max(1, math.ceil(down * pixels_per_radian - 1e-6))
