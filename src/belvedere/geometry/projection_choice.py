"""Which projection suits a field: the rule that the plan foretells and the plate follows."""

from __future__ import annotations

import math

from belvedere.geometry.plate import Projection

WRAP_MULTIPLE_PX = 64
"""A full turn is a multiple of this wide, so that six halvings of the plate wrap too."""

# Fields up to which a projection is chosen, degrees: rectilinear and pannini horizontally as T. K. Sharpless,
# B. Postle, D. M. German, Pannini: A New Projection for Rendering Wide Angle Perspective Images,
# Computational Aesthetics 2010, sections 1 and 4, recommend.
RECTILINEAR_DEG = 70.0
PANNINI_DEG = 150.0
# Our own bound, degrees (common practice, no published source): the steepest pitch for which verticals are
# kept straight by a cylinder or by pannini; a detail is drawn 1/cos^2 = 2.4 times as tall there.
FLAT_DEG = 50.0


def projection_for(wide: float, tall: float, steepest: float) -> Projection:
    """The projection for a level field.

    Parameters
    ----------
    wide, tall : float
        Extent in yaw and pitch, rad.
    steepest : float
        Largest pitch up or down, rad.
    """
    wide_deg, tall_deg, steepest_deg = math.degrees(wide), math.degrees(tall), math.degrees(steepest)
    if max(wide_deg, tall_deg) <= RECTILINEAR_DEG:
        return "rectilinear"
    if wide_deg <= PANNINI_DEG and steepest_deg <= FLAT_DEG:
        return "pannini"
    return "cylindrical" if steepest_deg <= FLAT_DEG else "equirectangular"


def turn_width(pixels_per_radian: float) -> int:
    """Width in px of a full turn at this resolution or just above it: a multiple of `WRAP_MULTIPLE_PX`."""
    return WRAP_MULTIPLE_PX * math.ceil(2.0 * math.pi * pixels_per_radian / WRAP_MULTIPLE_PX - 1e-9)
