"""Angle of view of a rectilinear lens, and the size of one pixel in it."""

from __future__ import annotations

import math


def angle_of_view(extent: float, focal_length: float) -> float:
    """Angle, in radians, that a length across the picture's centre sees: 2 atan(extent / (2 f)).

    Parameters
    ----------
    extent : float
        Width, height or diagonal of the picture, in the unit of `focal_length` (mm or px), >= 0.
    focal_length : float
        > 0.

    Returns
    -------
    angle : float
        In [0, pi), for a lens without distortion focused at infinity.

    Raises
    ------
    ValueError
        If the extent is negative or the focal length is not finite and positive.

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), field angle of view (cited from memory).
    """
    if not (extent >= 0.0 and math.isfinite(focal_length) and focal_length > 0.0):
        raise ValueError(f"needs an extent >= 0 and a focal length > 0, got {extent!r} and {focal_length!r}")
    return 2.0 * math.atan(extent / (2.0 * focal_length))


def focal_length_for(angle_rad: float, extent: float) -> float:
    """Focal length, in the unit of `extent`, that sees it under the angle: the inverse of `angle_of_view`.

    Raises
    ------
    ValueError
        If the angle is not within (0, pi) or the extent is not positive.
    """
    if not (0.0 < angle_rad < math.pi and extent > 0.0):
        raise ValueError(
            f"the angle must lie in (0, pi) and the extent be > 0, got {angle_rad!r}, {extent!r}"
        )
    return extent / (2.0 * math.tan(angle_rad / 2.0))


def pixel_angle(focal_px: float, off_axis_rad: float = 0.0) -> float:
    """Angle, in radians, of one pixel in the radial direction: cos^2(theta) / f at `off_axis_rad` = theta.

    Largest on the axis, where it is 1 / f.

    Raises
    ------
    ValueError
        If the focal length is not positive or the angle is not within [0, pi/2).
    """
    if not (focal_px > 0.0 and 0.0 <= off_axis_rad < math.pi / 2.0):
        raise ValueError(
            f"needs a focal length > 0 and an angle in [0, pi/2), got {focal_px!r}, {off_axis_rad!r}"
        )
    return math.cos(off_axis_rad) ** 2 / focal_px
