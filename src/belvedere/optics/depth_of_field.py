"""Depth of field of a thin lens: hyperfocal distance, near and far limit, and the blur they stand for.

Distances are in metres from the front principal plane, along the axis; lens and sensor in millimetres. The
exact relations, none of the usual approximations for far objects; pupil magnification 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.optics.close_focus import magnification
from belvedere.optics.positive import need_positive

DIAGONAL_FRACTION = 1500.0
"""The classic circle of confusion is the diagonal over this: 0.029 mm for 24 x 36 mm. Handbooks go from 1000
to 1730 (common practice, no published source for this one), all for small prints seen whole."""


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """Between which distances a picture counts as sharp.

    Parameters
    ----------
    near_m, far_m : float
        Metres from the front principal plane; `far_m` may be infinite.
    """

    near_m: float
    far_m: float

    @property
    def total_m(self) -> float:
        """Depth from near to far, m; infinite where the far limit is."""
        return self.far_m - self.near_m


def classic_circle_of_confusion(
    width_mm: float, height_mm: float, fraction: float = DIAGONAL_FRACTION
) -> float:
    """Circle of confusion in mm as a fraction of the picture's diagonal, the handbooks' way.

    Right for a small print seen whole from its diagonal's distance. A large print looked at closely needs
    `pixel_circle_of_confusion`.

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    need_positive("the picture's width", width_mm, "mm")
    need_positive("the picture's height", height_mm, "mm")
    return math.hypot(width_mm, height_mm) / need_positive("the fraction of the diagonal", fraction)


def pixel_circle_of_confusion(pixel_pitch_mm: float, pixels: float = 2.0) -> float:
    """Circle of confusion in mm that spans so many pixels: 1 for all the sensor sees, 2 for a fine print.

    Raises
    ------
    PlanError
        If a value is not above 0.

    Notes
    -----
    One or two pixels is common practice, no published source.
    """
    return need_positive("the pixel pitch", pixel_pitch_mm, "mm") * need_positive("the pixels", pixels)


def hyperfocal_distance_m(focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Nearest focus distance in m at which infinity still counts as sharp: H = f^2 / (N c) + f.

    Parameters
    ----------
    focal_mm : float
        Focal length f in mm.
    f_number : float
        N, as set on the lens.
    circle_mm : float
        Diameter c in mm of the circle of confusion.

    Raises
    ------
    PlanError
        If a value is not above 0.

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), depth of field; R. E. Jacobson et al., The Manual
    of Photography, 9th ed. (2000), ch. 4 (cited from memory; both also give H = f^2 / (N c) for short).
    """
    need_positive("the focal length", focal_mm, "mm")
    need_positive("the f-number", f_number)
    need_positive("the circle of confusion", circle_mm, "mm")
    return (focal_mm**2 / (f_number * circle_mm) + focal_mm) / 1e3


def depth_of_field(focal_mm: float, f_number: float, circle_mm: float, focus_m: float) -> DepthOfField:
    """Near and far limit of the lens focused at `focus_m`: s (H - f) / (H + s - 2 f) and s (H - f) / (H - s).

    Parameters
    ----------
    focal_mm, f_number, circle_mm : float
        As in `hyperfocal_distance_m`.
    focus_m : float
        Focus distance s in m, beyond the focal length; infinity gives a near limit of H - f.

    Returns
    -------
    limits : DepthOfField
        From H/2 to infinity when focused at the hyperfocal distance H.

    Raises
    ------
    PlanError
        If a value is out of its range.

    References
    ----------
    As `hyperfocal_distance_m`; the exact thin-lens relations.
    """
    hyperfocal = hyperfocal_distance_m(focal_mm, f_number, circle_mm)
    magnification(focal_mm, focus_m)  # refuses a focus that cannot be
    focal = focal_mm / 1e3
    reach = hyperfocal - focal
    if math.isinf(focus_m):
        return DepthOfField(reach, math.inf)
    near = focus_m * reach / (reach + focus_m - focal)
    far = focus_m * reach / (hyperfocal - focus_m) if focus_m < hyperfocal else math.inf
    return DepthOfField(near, far)


def f_number_for_near_limit(focal_mm: float, circle_mm: float, near_m: float) -> float:
    """f-number at which all from `near_m` to infinity is sharp, focused at 2 near_m: f^2 / (c (2 n - f)).

    Raises
    ------
    PlanError
        If a value is not above 0, or twice the near limit not beyond the focal length.
    """
    magnification(focal_mm, 2.0 * near_m)
    need_positive("the circle of confusion", circle_mm, "mm")
    return focal_mm**2 / (circle_mm * (2e3 * near_m - focal_mm))


def blur_disc_mm(focal_mm: float, f_number: float, focus_m: float, object_m: float) -> float:
    """Diameter in mm, on the sensor, of a far or near point's blur: f^2 |x - s| / (N x (s - f)).

    Parameters
    ----------
    focal_mm, f_number : float
        As in `hyperfocal_distance_m`.
    focus_m, object_m : float
        Distance s in focus and x of the point in m; either may be infinite.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    size = magnification(focal_mm, focus_m)
    need_positive("the object's distance", object_m, "m", infinite=True)
    aperture = focal_mm / need_positive("the f-number", f_number)
    if math.isinf(focus_m):
        return 0.0 if math.isinf(object_m) else aperture * focal_mm / (object_m * 1e3)
    defocus = 1.0 if math.isinf(object_m) else abs(object_m - focus_m) / object_m
    return aperture * size * defocus


def disc_of_confusion_mm(focal_mm: float, f_number: float, focus_m: float, object_m: float) -> float:
    """Smallest detail in mm that is resolved AT the object, for its defocus: d |s - x| / s, d = f / N.

    Focused at infinity it is the diameter d of the entrance pupil at every distance: whatever is larger than
    the pupil is resolved.

    Parameters
    ----------
    focal_mm, f_number, focus_m, object_m : float
        As in `blur_disc_mm`; the object's distance finite.

    Raises
    ------
    PlanError
        If a value is out of its range.

    References
    ----------
    H. M. Merklinger, The INs and OUTs of Focus (1990, 1992), disc of confusion (cited from memory).
    """
    magnification(focal_mm, focus_m)
    need_positive("the object's distance", object_m, "m")
    aperture = focal_mm / need_positive("the f-number", f_number)
    return aperture if math.isinf(focus_m) else aperture * abs(focus_m - object_m) / focus_m
