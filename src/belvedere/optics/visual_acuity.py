"""How fine a print must be for the eye at its viewing distance."""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH

NORMAL_ACUITY_ARCMIN = 1.0
"""The gap that normal sight just resolves, minutes of arc: decimal acuity 1.0 (ISO 8596:2017, Landolt ring;
cited from memory). Young eyes in good light do better, down to about 0.6."""


def resolved_mm(viewing_distance_m: float, acuity_arcmin: float = NORMAL_ACUITY_ARCMIN) -> float:
    """Smallest gap in mm that the eye resolves at a distance: 2 d tan(a / 2).

    Parameters
    ----------
    viewing_distance_m : float
        d in m, > 0.
    acuity_arcmin : float
        a in minutes of arc, > 0 and below 180 degrees.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    need_positive("the viewing distance", viewing_distance_m, "m")
    return 2e3 * viewing_distance_m * _half_tangent(acuity_arcmin)


def ppi_needed(viewing_distance_m: float, acuity_arcmin: float = NORMAL_ACUITY_ARCMIN) -> float:
    """Pixels per inch at which a pixel is as small as the eye resolves: 25.4 / (2 d tan(a / 2)), d in mm.

    Parameters and errors as in `resolved_mm`.

    References
    ----------
    S. F. Ray, Applied Photographic Optics, 3rd ed. (2002), resolution of the eye (cited from memory): 1
    minute of arc at 250 mm is 0.07 mm.
    """
    return MM_PER_INCH / resolved_mm(viewing_distance_m, acuity_arcmin)


def _half_tangent(acuity_arcmin: float) -> float:
    need_positive("the eye's acuity", acuity_arcmin, "minutes of arc")
    if acuity_arcmin >= 180.0 * 60.0:
        raise PlanError(f"the eye's acuity must be below 180 degrees, not {acuity_arcmin:g} minutes of arc")
    return math.tan(math.radians(acuity_arcmin / 60.0) / 2.0)
