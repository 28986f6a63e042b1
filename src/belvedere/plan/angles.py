"""Angles of a plan, in radians that a document holds in degrees without loss."""

from __future__ import annotations

import math

_DIGITS = 9  # a billionth of a degree: the sun's light shifts more on its way


def kept_angle(angle: float) -> float:
    """The nearest angle (rad) that is a whole number of billionths of a degree; see `kept_degrees`."""
    return math.radians(kept_degrees(angle))


def kept_degrees(angle: float) -> float:
    """An angle (rad) in degrees, to nine digits: `math.radians` of it gives a kept angle back to the bit."""
    return round(math.degrees(angle), _DIGITS) + 0.0  # no negative zero
