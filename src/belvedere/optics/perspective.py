"""How large far things come out, and what of that is the standpoint's doing and what the lens's.

From one standpoint every lens shows a near hut and a far peak in the same proportion; a longer one only
spends more pixels on both. Walking changes the proportion.
"""

from __future__ import annotations

import math

from belvedere.optics.positive import need_positive


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
