"""Parallax between neighbouring frames when the entrance pupil is not on the axis the camera turns about.

The rail error d is how far the entrance pupil sits before (or behind) the point where the pan and the tilt
axis cross, along the lens's axis. Turned by a yaw step t at pitch p, the pupil moves, in the first frame's
own axes (x right, y down, z forward), by

    b = d cos p (sin t, -sin p (1 - cos t), -cos p (1 - cos t)).

A point at depth Z on the ray (X, Y, 1) is then seen, against what lies at infinity, shifted by

    f (b_x - X b_z, b_y - Y b_z) / (Z - b_z) pixels,

exactly. Over the overlap the shift is largest in the frame's corner, and with the pupil behind the axis.
(Derived here from the perspective equations; the tests check it against projected points.)

For the step between two rows put the pitch step for `yaw_step`, 0 for `pitch`, and swap the corner's sides.
"""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive


def pupil_shift_mm(rail_error_mm: float, yaw_step: float, pitch: float = 0.0) -> float:
    """How far in mm the entrance pupil moves when the camera turns by a yaw step: 2 |d| cos p sin(t/2).

    Parameters
    ----------
    rail_error_mm : float
        d in mm, either sign.
    yaw_step : float
        t in radians, in (0, pi).
    pitch : float
        p in radians, within +-pi/2.

    Raises
    ------
    PlanError
        If an angle is out of its range.
    """
    _need_turn(yaw_step, pitch)
    return 2.0 * abs(rail_error_mm) * math.cos(pitch) * math.sin(yaw_step / 2.0)


def parallax_px(
    rail_error_mm: float,
    distance_m: float,
    *,
    yaw_step: float,
    focal_px: float,
    point_px: tuple[float, float] = (0.0, 0.0),
    pitch: float = 0.0,
) -> float:
    """Shift in px, in the first frame, of a near point against infinity between two neighbouring frames.

    Parameters
    ----------
    rail_error_mm : float
        d in mm; positive with the entrance pupil before the axis.
    distance_m : float
        Distance in m of the point from the first frame's entrance pupil; may be infinite.
    yaw_step : float
        Turn to the right between the frames in radians, in (0, pi).
    focal_px : float
        Focal length in px, > 0.
    point_px : tuple of 2 float
        Where the first frame sees the point: right of and below its centre, px.
    pitch : float
        Pitch of both frames in radians, within +-pi/2.

    Raises
    ------
    PlanError
        If a value is out of its range, or the second pupil is not before the point.
    """
    need_positive("the distance", distance_m, "m", infinite=True)
    x, y, d = *_rays(point_px, focal_px), rail_error_mm / 1e3
    across, down, back = _per_error(x, y, yaw_step, pitch)
    depth = distance_m / math.sqrt(1.0 + x * x + y * y) + d * back
    if depth <= 0.0:
        raise PlanError(f"at {distance_m:g} m the point lies beside the lens turned by the step")
    return focal_px * abs(d) * math.hypot(across, down) / depth


def near_limit_m(
    rail_error_mm: float,
    *,
    yaw_step: float,
    focal_px: float,
    corner_px: tuple[float, float],
    pitch: float = 0.0,
    pixels: float = 1.0,
) -> float:
    """Distance in m beyond which the parallax stays within `pixels` all over the overlap.

    Parameters
    ----------
    rail_error_mm : float
        Size of the rail error in mm; its sign does not matter, the worse one is taken. 0 gives 0.
    yaw_step, focal_px, pitch : float
        As in `parallax_px`.
    corner_px : tuple of 2 float
        Half width and half height of the frame as held, px, > 0.
    pixels : float
        Parallax allowed in px, > 0.

    Returns
    -------
    distance_m : float
        From the entrance pupil. Exact for the frame's corner, the worst place, and safe elsewhere.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    if not math.isfinite(rail_error_mm):
        raise PlanError(f"the rail error must be a number of mm, not {rail_error_mm:g} mm")
    return abs(rail_error_mm) / 1e3 * _reach(yaw_step, focal_px, corner_px, pitch, pixels)


def rail_error_allowed_mm(
    near_m: float,
    *,
    yaw_step: float,
    focal_px: float,
    corner_px: tuple[float, float],
    pitch: float = 0.0,
    pixels: float = 1.0,
) -> float:
    """Rail error in mm, either way, that keeps the parallax within `pixels` for all beyond `near_m`.

    The inverse of `near_limit_m`, parameters and errors as there; `near_m` > 0 is the distance in m of the
    nearest thing in the overlap.
    """
    near = need_positive("the near distance", near_m, "m")
    return 1e3 * near / _reach(yaw_step, focal_px, corner_px, pitch, pixels)


def _reach(
    yaw_step: float, focal_px: float, corner_px: tuple[float, float], pitch: float, pixels: float
) -> float:
    """Near limit over rail error, both in one unit: both are proportional."""
    need_positive("the frame's half width", corner_px[0], "pixels")
    need_positive("the frame's half height", corner_px[1], "pixels")
    need_positive("the parallax allowed", pixels, "pixels")
    x, y = _rays(corner_px, focal_px)
    # Of the two right corners the one where both parts of the downward shift add up.
    across, down, back = _per_error(x, -y if pitch > 0.0 else y, yaw_step, pitch)
    depth = focal_px * math.hypot(across, down) / pixels + back
    return depth * math.sqrt(1.0 + x * x + y * y)


def _per_error(x: float, y: float, yaw_step: float, pitch: float) -> tuple[float, float, float]:
    """(b_x - X b_z, b_y - Y b_z, -b_z) for a rail error of 1."""
    _need_turn(yaw_step, pitch)
    c, s = math.cos(pitch), math.sin(pitch)
    versine = 2.0 * math.sin(yaw_step / 2.0) ** 2  # 1 - cos t, without the loss for small steps
    return c * (math.sin(yaw_step) + x * c * versine), c * versine * (y * c - s), c * c * versine


def _rays(point_px: tuple[float, float], focal_px: float) -> tuple[float, float]:
    need_positive("the focal length", focal_px, "pixels")
    return point_px[0] / focal_px, point_px[1] / focal_px


def _need_turn(yaw_step: float, pitch: float) -> None:
    if not 0.0 < yaw_step < math.pi:
        raise PlanError(f"the step must lie between 0 and 180 degrees, not {math.degrees(yaw_step):g}")
    if not abs(pitch) <= math.pi / 2.0:
        raise PlanError(f"the pitch must lie within 90 degrees up or down, not {math.degrees(pitch):g}")
