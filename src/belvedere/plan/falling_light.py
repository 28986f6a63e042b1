"""How the brightness changes while the sun is low: by numbers in twilight, in words above the horizon."""

from __future__ import annotations

import math
from collections.abc import Sequence

from belvedere.plan.sun import SunAt
from belvedere.plan.twilight import CIVIL_ELEVATION, LOW_SUN_ELEVATION, NAUTICAL_ELEVATION, SUNRISE_ELEVATION

# A clear sky gives some 400 lux at sunset and 3.4 lux at the end of civil twilight: RCA, Electro-Optics
# Handbook (1974), natural illuminance (cited from memory). Evenly in stops between the two.
TWILIGHT_STOPS_PER_RADIAN = math.log2(400.0 / 3.4) / (SUNRISE_ELEVATION - CIVIL_ELEVATION)


def twilight_stops(track: Sequence[SunAt]) -> float:
    """Change of brightness over a track, in stops (EV, brighter positive), of its part within civil twilight.

    Some 1.3 stops to a degree of the sun. Above the horizon and below civil twilight nothing is counted.
    """
    ends = (track[0].true_elevation, track[-1].true_elevation)
    first, last = (min(max(e, CIVIL_ELEVATION), SUNRISE_ELEVATION) for e in ends)
    return TWILIGHT_STOPS_PER_RADIAN * (last - first)


def falling_light_words(track: Sequence[SunAt]) -> str | None:
    """Say how the light changes over a sweep with a low sun; None where the sun stays higher than 6 degrees.

    That light changes fast within 6 degrees of the horizon is common practice, no published source.
    """
    first, last = track[0].true_elevation, track[-1].true_elevation
    highest = max(s.true_elevation for s in track)
    if min(first, last) > LOW_SUN_ELEVATION:
        return None
    if highest < NAUTICAL_ELEVATION:
        return "It is night, or nearly so: exposures are long, and the stars move from frame to frame."
    way = "rises" if last > first else "sinks"
    text = f"The sun {way} from {_height(track[0])} to {_height(track[-1])} during the sweep"
    change = twilight_stops(track)
    if abs(change) >= 0.05:
        text += f": about {abs(change):.1f} stops {'brighter' if change > 0 else 'darker'} in the twilight"
    return text + ". So low its light changes fast: keep the pace, and keep one exposure."


def _height(sun: SunAt) -> str:
    """Say where the sun stands, such as "2.4 degrees above the horizon"."""
    degrees = math.degrees(sun.elevation)
    return f"{abs(degrees):.1f} degrees {'above' if degrees >= 0 else 'below'} the horizon"
