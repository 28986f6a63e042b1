"""Angle of view of a rectilinear lens."""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive


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
    PlanError
        A ValueError, if the extent is negative or the focal length is not finite and positive.

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), field angle of view (cited from memory).
    """
    need_positive("the focal length", focal_length)
    if not (extent >= 0.0 and math.isfinite(extent)):
        raise PlanError(f"the extent of the picture must be 0 or above, not {extent:g}")
    return 2.0 * math.atan(extent / (2.0 * focal_length))


def focal_length_for(angle_rad: float, extent: float) -> float:
    """Focal length, in the unit of `extent`, that sees it under the angle: the inverse of `angle_of_view`.

    Raises
    ------
    PlanError
        A ValueError, if the angle is not within (0, pi) or the extent is not positive.
    """
    need_positive("the extent of the picture", extent)
    need_positive("the angle of view", math.degrees(angle_rad), "degrees")
    if angle_rad >= math.pi:
        raise PlanError(
            f"no lens that keeps straight lines straight sees {math.degrees(angle_rad):g} degrees",
            "it must be below 180 degrees: turn the camera and take more frames",
        )
    return extent / (2.0 * math.tan(angle_rad / 2.0))
