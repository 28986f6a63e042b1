"""From the equator's coordinates to bearing and elevation, and how the air lifts what is seen."""

from __future__ import annotations

import math

from belvedere.errors import PlanError

# Standard refraction at the horizon, 34 arc minutes, and the sun's half diameter, 16: the almanacs'
# convention (Explanatory Supplement to the Astronomical Almanac, 1992, section 9.3; cited from memory).
HORIZON_REFRACTION = math.radians(34.0 / 60.0)
SUN_HALF_DIAMETER = math.radians(16.0 / 60.0)


def bearing_and_elevation(latitude: float, declination: float, hour_angle: float) -> tuple[float, float]:
    """Turn declination and hour angle into bearing and elevation.

    Parameters
    ----------
    latitude, declination : float
        Radians, north positive.
    hour_angle : float
        Radians, west positive, 0 in the meridian.

    Returns
    -------
    bearing : float
        Clockwise from true north, radians in [0, 2 pi).
    elevation : float
        Above the level, radians, without the air.

    References
    ----------
    J. Meeus, Astronomical Algorithms, 2nd ed. (1998), (13.5) and (13.6), bearing counted from the north
    (cited from memory).
    """
    east = -math.cos(declination) * math.sin(hour_angle)
    north = math.sin(declination) * math.cos(latitude) - math.cos(declination) * math.sin(
        latitude
    ) * math.cos(hour_angle)
    up = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        hour_angle
    )
    bearing = math.atan2(east, north) % (2 * math.pi)
    return (0.0 if bearing >= 2 * math.pi else bearing), math.atan2(up, math.hypot(east, north))


def refraction(elevation: float, pressure_hpa: float = 1010.0, temperature_c: float = 10.0) -> float:
    """Angle by which the air lifts something at a true elevation.

    Nothing is lifted that stays under the level horizon all the same (true elevation below -50 arc minutes),
    so the apparent elevation steps there by some half a degree.

    Parameters
    ----------
    elevation : float
        True (airless) elevation, radians.
    pressure_hpa, temperature_c : float
        Air at the place. 0 hPa: no air.

    Raises
    ------
    PlanError
        If the air is none that is breathed (0 .. 1100 hPa, -80 .. 60 degrees Celsius).

    References
    ----------
    I. Reda, A. Andreas, Solar Position Algorithm for Solar Radiation Applications, Solar Energy 76(5) (2004),
    equation 42, after Saemundsson (1986). Exact air near the horizon may differ by some tenths of a degree.
    """
    if not (0.0 <= pressure_hpa <= 1100.0 and -80.0 <= temperature_c <= 60.0):
        raise PlanError(
            f"air has 0 to 1100 hPa and -80 to 60 degrees Celsius, got {pressure_hpa:g} and {temperature_c:g}"
        )
    if elevation < -(HORIZON_REFRACTION + SUN_HALF_DIAMETER):
        return 0.0
    degrees = math.degrees(elevation)
    minutes = 1.02 / math.tan(math.radians(degrees + 10.3 / (degrees + 5.11)))
    lift = math.radians(minutes / 60.0) * (pressure_hpa / 1010.0) * (283.0 / (273.0 + temperature_c))
    return max(lift, 0.0)


def standard_pressure_hpa(elevation_m: float) -> float:
    """Pressure of the standard atmosphere (ISO 2533:1975) at a height above the sea; troposphere only."""
    return 1013.25 * float((1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def compass_word(bearing: float) -> str:
    """Name the nearest of the sixteen points of the compass, such as "north-east" or "west-south-west"."""
    return _POINTS[round(bearing / (math.pi / 8)) % 16]


def angle_between(bearing_a: float, elevation_a: float, bearing_b: float, elevation_b: float) -> float:
    """Angle on the sphere between two directions, radians; stable for small angles (haversine)."""
    h = (
        math.sin((elevation_b - elevation_a) / 2) ** 2
        + math.cos(elevation_a) * math.cos(elevation_b) * math.sin((bearing_b - bearing_a) / 2) ** 2
    )
    return 2.0 * math.asin(min(1.0, math.sqrt(h)))


_POINTS = (
    "north",
    "north-north-east",
    "north-east",
    "east-north-east",
    "east",
    "east-south-east",
    "south-east",
    "south-south-east",
    "south",
    "south-south-west",
    "south-west",
    "west-south-west",
    "west",
    "west-north-west",
    "north-west",
    "north-north-west",
)
