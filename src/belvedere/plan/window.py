"""What a frame covers of the sphere, the camera tilted up or down with its lower edge level (roll 0).

A frame at yaw 0 and pitch p is four planes through the entrance pupil. On the meridian at yaw t each of them
is a bound on the tangent of the elevation, so what the frame covers there is one interval of elevations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.geometry.frame_overlap import overlap_area

Band = tuple[float, float]
_LEVEL = 1e-12


@dataclass(frozen=True, slots=True)
class Window:
    """A frame's shape: half its width and half its height over the focal length."""

    across: float
    up: float

    @property
    def half_wide(self) -> float:
        """Half the angle of view across, rad."""
        return math.atan(self.across)

    @property
    def half_tall(self) -> float:
        """Half the angle of view up and down, rad."""
        return math.atan(self.up)


def covered_elevations(window: Window, pitch: float, yaw: float) -> Band | None:
    """Elevations (rad) that a frame at yaw 0 covers at another yaw, 0 to pi; None where it covers none."""
    a, b = window.across, window.up
    sp, cp, st, ct = math.sin(pitch), math.cos(pitch), math.sin(yaw), math.cos(yaw)
    low, high = -math.inf, math.inf
    for level, rise in (  # level cos(e) + rise sin(e) >= 0, for the right, left, upper and lower side
        (a * ct * cp - st, a * sp),
        (a * ct * cp + st, a * sp),
        (b * ct * cp + ct * sp, b * sp - cp),
        (b * ct * cp - ct * sp, b * sp + cp),
    ):
        if rise > _LEVEL:
            low = max(low, -level / rise)
        elif rise < -_LEVEL:
            high = min(high, -level / rise)
        elif level < 0.0:
            return None
    return (math.atan(low), math.atan(high)) if low <= high else None


def covered_band(window: Window, pitch: float, reach: float) -> Band | None:
    """Elevations that a frame covers at every yaw up to `reach` (rad, 0 to pi) on either side of it.

    What a frame covers is convex: away from a pole its bounds draw in steadily to either side, about a pole
    they are farthest in at the middles of its sides, which lie at yaws 0, pi/2 and pi.
    """
    low, high = -math.inf, math.inf
    for yaw in (0.0, reach, math.pi / 2.0):
        if yaw <= reach:
            band = covered_elevations(window, pitch, yaw)
            if band is None:
                return None
            low, high = max(low, band[0]), min(high, band[1])
    return (low, high) if low <= high else None


def row_reach(window: Window, pitch: float, band: Band) -> float:
    """Largest yaw (rad) to either side of a frame up to which it covers a band of elevations.

    0 to pi; -1 where it does not cover the band in its own middle.
    """

    def covers(reach: float) -> bool:
        found = covered_band(window, pitch, reach)
        return found is not None and found[0] <= band[0] and found[1] >= band[1]

    if not covers(0.0):
        return -1.0
    if covers(math.pi):
        return math.pi
    inside, outside = 0.0, math.pi
    for _ in range(34):  # to 2e-10 rad
        middle = (inside + outside) / 2.0
        if covers(middle):
            inside = middle
        else:
            outside = middle
    return inside


def overlap_in_row(window: Window, pitch: float, step: float) -> float:
    """Share of a frame's area that its neighbour in the row, `step` to one side, sees too."""
    shape = (window.across, window.up)
    s, c, st, ct = math.sin(pitch), math.cos(pitch), math.sin(step), math.cos(step)
    # Rx(p)^T Ry(step)^T Rx(p), of geometry.rotation
    turn = (
        (ct, -st * s, -st * c),
        (st * s, c * c + ct * s * s, -c * s + ct * s * c),
        (st * c, -s * c + ct * c * s, s * s + ct * c * c),
    )
    return overlap_area(shape, shape, turn)
