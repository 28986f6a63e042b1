"""What focusing nearer than infinity does: magnification, angle of view, working f-number.

For a lens that focuses by moving as a whole. One that focuses by moving groups inside changes its focal
length as well (it "breathes"), by an amount only a measurement tells.
"""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.angle_of_view import angle_of_view
from belvedere.optics.positive import need_positive


def magnification(focal_mm: float, focus_m: float) -> float:
    """Image size over object size of what is in focus: f / (s - f).

    Parameters
    ----------
    focal_mm : float
        Focal length in mm, > 0.
    focus_m : float
        Distance s in m from the front principal plane, beyond the focal length; infinity gives 0.

    Raises
    ------
    PlanError
        If the focal length is not above 0, or the distance not beyond it.

    References
    ----------
    R. E. Jacobson et al., The Manual of Photography, 9th ed. (2000), ch. 4, conjugate distances (cited from
    memory).
    """
    need_positive("the focal length", focal_mm, "mm")
    need_positive("the focus distance", focus_m, "m", infinite=True)
    if focus_m * 1e3 <= focal_mm:
        raise PlanError(
            f"nothing at {focus_m:g} m can be in focus through a lens of {focal_mm:g} mm",
            f"focus beyond {focal_mm / 1e3:g} m",
        )
    return focal_mm / (focus_m * 1e3 - focal_mm)


def effective_focal_mm(focal_mm: float, image_size: float, pupil_magnification: float = 1.0) -> float:
    """Focal length in mm that gives, focused at infinity, the same angle of view: f (1 + m / p).

    It is also the focal length that the camera model of a frame focused close has: the image over the
    tangent of the angle at the entrance pupil, about which the frames turn.

    Parameters
    ----------
    focal_mm : float
        > 0.
    image_size : float
        Magnification m, >= 0, see `magnification`.
    pupil_magnification : float
        Diameter of the exit pupil over that of the entrance pupil, p > 0: below 1 for telephoto, above 1 for
        retrofocus lenses, 1 for symmetrical ones.

    Raises
    ------
    PlanError
        If a value is out of its range.

    Notes
    -----
    By Newton the object lies f / m before the front focal point and the entrance pupil f / p behind it; half
    the field in the object is extent / (2 m). Their quotient is extent / (2 f (1 + m / p)).

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), pupil magnification (cited from memory).
    """
    need_positive("the focal length", focal_mm, "mm")
    need_positive("the pupil magnification", pupil_magnification)
    if not (image_size >= 0.0 and math.isfinite(image_size)):
        raise PlanError(f"the magnification must be 0 (infinity) or above, not {image_size:g}")
    return focal_mm * (1.0 + image_size / pupil_magnification)


def angle_of_view_close(
    extent_mm: float, focal_mm: float, image_size: float, pupil_magnification: float = 1.0
) -> float:
    """Angle of view in radians across an extent d of the sensor, focused close: 2 atan(d / (2 f (1 + m/p))).

    Parameters as in `effective_focal_mm`; `extent_mm` >= 0. At m = 0 it is `angle_of_view`.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    return angle_of_view(extent_mm, effective_focal_mm(focal_mm, image_size, pupil_magnification))


def working_f_number(f_number: float, image_size: float, pupil_magnification: float = 1.0) -> float:
    """f-number that light and diffraction go by when focused close: N (1 + m / p).

    Raises
    ------
    PlanError
        If a value is out of its range.

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), effective aperture (cited from memory).
    """
    need_positive("the f-number", f_number)
    return f_number * effective_focal_mm(1.0, image_size, pupil_magnification)
