"""How large far things come out, and what of that is the standpoint's doing and what the lens's.

From one standpoint every lens shows a near hut and a far peak in the same proportion; a longer one only
spends more pixels on both. Walking changes the proportion.
"""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH


def pixels_per_degree(focal_px: float) -> float:
    """Pixels a degree takes at the frame's centre, and along a plate's horizon: f pi / 180.

    Parameters
    ----------
    focal_px : float
        Focal length, or the plate's pixels per radian, > 0.

    Raises
    ------
    PlanError
        If the focal length is not above 0.
    """
    return math.radians(need_positive("the focal length", focal_px, "pixels"))


def focal_px_for_pixels_per_degree(pixels: float) -> float:
    """Focal length in px that gives so many pixels a degree: the inverse of `pixels_per_degree`."""
    return math.degrees(need_positive("the pixels per degree", pixels))


def angular_size(size_m: float, distance_m: float) -> float:
    """Angle in radians under which a thing standing across the line of sight appears: 2 atan(S / (2 D)).

    Parameters
    ----------
    size_m, distance_m : float
        S and D in m (one unit), > 0.

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    need_positive("the size", size_m, "m")
    need_positive("the distance", distance_m, "m")
    return 2.0 * math.atan(size_m / (2.0 * distance_m))


def image_size_px(size_m: float, distance_m: float, focal_px: float) -> float:
    """Size in px of a thing's image at the frame's centre: f S / D, exact for one across the axis.

    Parameters
    ----------
    size_m, distance_m : float
        Size and distance from the entrance pupil in m, > 0.
    focal_px : float
        Focal length in px, > 0.

    Raises
    ------
    PlanError
        If a value is not above 0.

    References
    ----------
    R. E. Jacobson et al., The Manual of Photography, 9th ed. (2000), ch. 4, magnification m = f / u for far
    objects (cited from memory).
    """
    need_positive("the size", size_m, "m")
    need_positive("the distance", distance_m, "m")
    return need_positive("the focal length", focal_px, "pixels") * size_m / distance_m


def detail_m(distance_m: float, focal_px: float, pixels: float = 1.0) -> float:
    """Size in m of what fills `pixels` at a distance: D n / f. The inverse of `image_size_px`.

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    need_positive("the distance", distance_m, "m")
    need_positive("the pixels", pixels)
    return distance_m * pixels / need_positive("the focal length", focal_px, "pixels")


def relative_size(
    far_size_m: float, far_distance_m: float, near_size_m: float, near_distance_m: float, walk_m: float = 0.0
) -> float:
    """How large the far thing's image is in units of the near one's: (S_far / D_far) / (S_near / D_near).

    No focal length enters: the proportion is the standpoint's alone.

    Parameters
    ----------
    far_size_m, far_distance_m, near_size_m, near_distance_m : float
        Sizes and distances from the first standpoint in m, > 0.
    walk_m : float
        Metres walked straight back from it (negative: towards the things, less than either distance).

    Raises
    ------
    PlanError
        If a size or a distance after the walk is not above 0.
    """
    need_positive("the far thing's size", far_size_m, "m")
    need_positive("the near thing's size", near_size_m, "m")
    far = need_positive("the far thing's distance", far_distance_m + walk_m, "m")
    near = need_positive("the near thing's distance", near_distance_m + walk_m, "m")
    return far_size_m / near_size_m * near / far


def walk_for_relative_gain_m(far_distance_m: float, near_distance_m: float, gain: float) -> float:
    """Metres to walk back so that the far thing gains by `gain` on the near one: N F (g - 1) / (F - g N).

    Parameters
    ----------
    far_distance_m, near_distance_m : float
        F and N in m from where one stands, far > near > 0.
    gain : float
        Factor g on `relative_size`, > 0; below 1 one walks forward (negative metres).

    Raises
    ------
    PlanError
        If a value is out of its range, or the gain cannot be had: from infinitely far away it is far / near.
    """
    need_positive("the near thing's distance", near_distance_m, "m")
    need_positive("the far thing's distance", far_distance_m, "m")
    need_positive("the gain", gain)
    if far_distance_m <= near_distance_m:
        raise PlanError(f"the far thing at {far_distance_m:g} m is not behind the near one")
    most = far_distance_m / near_distance_m
    if gain >= most:
        raise PlanError(
            f"no standpoint makes the far thing {gain:g} times as large against the near one",
            f"it must be below {most:.3g} times, which is their ratio of distances",
        )
    return near_distance_m * far_distance_m * (gain - 1.0) / (far_distance_m - gain * near_distance_m)


def true_viewing_distance_m(pixels_per_radian: float, ppi: float) -> float:
    """Distance in m from which a print shows the view's own angles: pixels per radian over pixels per inch.

    For a cylindrical picture it is the radius to bend the print to.

    Raises
    ------
    PlanError
        If a value is not above 0.

    References
    ----------
    R. E. Jacobson et al., The Manual of Photography, 9th ed. (2000), ch. 4, correct viewing distance: focal
    length times enlargement (cited from memory).
    """
    need_positive("the pixels per radian", pixels_per_radian)
    return pixels_per_radian / need_positive("the pixels per inch", ppi) * MM_PER_INCH / 1e3
