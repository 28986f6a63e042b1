"""APEX: aperture, time, speed and brightness as sums of powers of two.

Source: CIPA DC-008-2023 (Exif 3.0), annex on APEX units: Ev = Av + Tv = Bv + Sv (cited from memory).
"""

from __future__ import annotations

import math

from belvedere.optics.positive import need_positive

SPEED_AT_ZERO = 3.125
"""ISO speed whose Sv is 0: Sv 5 is ISO 100 exactly."""


def aperture_value(f_number: float) -> float:
    """Av = 2 log2 N; f/1 is 0. A PlanError if N is not above 0."""
    return 2.0 * math.log2(need_positive("the f-number", f_number))


def time_value(seconds: float) -> float:
    """Tv = -log2 t; 1 s is 0, 1/125 s about 7. A PlanError if t is not above 0."""
    return -math.log2(need_positive("the exposure time", seconds, "s"))


def speed_value(iso: float) -> float:
    """Sv = log2(S / 3.125); ISO 100 is 5. A PlanError if S is not above 0."""
    return math.log2(need_positive("the ISO speed", iso) / SPEED_AT_ZERO)


def exposure_value(f_number: float, seconds: float) -> float:
    """Ev = Av + Tv: the same for every pair of aperture and time that lets in the same light."""
    return aperture_value(f_number) + time_value(seconds)


def brightness_value(f_number: float, seconds: float, iso: float) -> float:
    """Bv = Av + Tv - Sv: the brightness of what these settings expose rightly."""
    return exposure_value(f_number, seconds) - speed_value(iso)
