"""Where the moon stands, how much of it is lit, and when it rises and sets.

Its place comes from the kept library astral (T. C. Van Flandern, K. F. Pulkkinen, Low-precision formulae for
planetary positions, Astrophysical Journal Supplement 41 (1979): about an arc minute). That place is seen
from the Earth's centre; from the surface the moon stands up to a degree lower, which is counted here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from belvedere.plan.crossing import crossings
from belvedere.plan.place import Place, days_since_2000
from belvedere.plan.sky_position import (
    HORIZON_REFRACTION,
    bearing_and_elevation,
    refraction,
    standard_pressure_hpa,
)

_EARTH_RADIUS_KM = 6378.14
_MOON_RADIUS_IN_EARTH_RADII = (
    0.2725  # Meeus, Astronomical Algorithms, 2nd ed. (1998), ch. 15 and 55, from memory
)
_ASTRONOMICAL_UNIT_KM = 149_597_870.7
# The series run on even time, clocks on the Earth's turn: 69 s apart in the 2020s (0.01 degree).
_EVEN_TIME_AHEAD_S = 69.0


@dataclass(frozen=True, slots=True)
class MoonAt:
    """The moon's centre at one moment, seen from the Earth's surface.

    Parameters
    ----------
    when : datetime
        Aware.
    azimuth : float
        Bearing clockwise from true north, radians in [0, 2 pi).
    elevation, true_elevation : float
        Radians: lifted by the air, and without it.
    distance_km : float
        From the Earth's centre.
    lit : float
        Share of the disk that the sun lights, 0 .. 1.
    waxing : bool
        Whether that share grows.
    """

    when: datetime
    azimuth: float
    elevation: float
    true_elevation: float
    distance_km: float
    lit: float
    waxing: bool


@dataclass(frozen=True, slots=True)
class MoonDay:
    """The moon over one calendar day on the clock of the place, 0:00 to 24:00.

    Parameters
    ----------
    rises, sets : tuple of datetime
        None, one, or near the pole more in a day. A day without moonrise comes every month everywhere.
    lit : float
        Share of the disk lit at 12:00.
    waxing : bool
        Whether it grows.
    note : str or None
        Said when a rise or a set is missing.
    """

    rises: tuple[datetime, ...]
    sets: tuple[datetime, ...]
    lit: float
    waxing: bool
    note: str | None


def moon_at(place: Place, when: datetime) -> MoonAt:
    """Compute where the moon stands, to some arc minutes.

    Raises
    ------
    PlanError
        If the moment has no clock or lies outside 1900 .. 2100.
    """
    azimuth, true, distance = _moon_direction(place, when)
    lit, waxing = moon_lit(when)
    apparent = true + refraction(true, standard_pressure_hpa(place.elevation_m))
    return MoonAt(when, azimuth, apparent, true, distance * _EARTH_RADIUS_KM, lit, waxing)


def moon_lit(when: datetime) -> tuple[float, bool]:
    """Share of the moon's disk that the sun lights, 0 .. 1, and whether it grows.

    References
    ----------
    J. Meeus, Astronomical Algorithms, 2nd ed. (1998), (48.1) to (48.3) (cited from memory).
    """
    from astral.sun import sun_declination, sun_rad_vector, sun_rt_ascension

    moon_ra, moon_dec, distance = moon_of_date(when)
    century = days_since_2000(when) / 36525.0
    sun_ra, sun_dec = math.radians(sun_rt_ascension(century)), math.radians(sun_declination(century))
    cos_apart = math.sin(sun_dec) * math.sin(moon_dec) + math.cos(sun_dec) * math.cos(moon_dec) * math.cos(
        sun_ra - moon_ra
    )
    apart = math.acos(max(-1.0, min(1.0, cos_apart)))
    sun_km = sun_rad_vector(century) * _ASTRONOMICAL_UNIT_KM
    phase_angle = math.atan2(sun_km * math.sin(apart), distance * _EARTH_RADIUS_KM - sun_km * math.cos(apart))
    return (1.0 + math.cos(phase_angle)) / 2.0, math.sin(moon_ra - sun_ra) > 0.0


def moon_of_date(when: datetime) -> tuple[float, float, float]:
    """The moon's right ascension, declination (radians), distance (Earth radii) from the Earth's centre."""
    from astral.moon import moon_position

    position = moon_position(days_since_2000(when) + _EVEN_TIME_AHEAD_S / 86400.0)
    return (
        float(position.right_ascension) % (2 * math.pi),
        float(position.declination),
        float(position.distance),
    )


def moon_day(place: Place, day: datetime) -> MoonDay:
    """Compute moonrise and moonset on the calendar day of `day` at the place, to about a minute or two.

    The upper limb touches a level sea horizon, the air bending by 34 arc minutes: mountains or a high
    standpoint shift it.

    Raises
    ------
    PlanError
        If the moment has no clock or lies outside 1900 .. 2100.
    """
    first = place.local(day).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    start = first.astimezone(UTC)
    end = (first + timedelta(days=1)).astimezone(UTC)  # the wall clock's next midnight: 23 to 25 hours on

    def above(seconds: float) -> float:
        _, elevation, distance = _moon_direction(place, start + timedelta(seconds=seconds))
        return elevation + HORIZON_REFRACTION + math.asin(_MOON_RADIUS_IN_EARTH_RADII / distance)

    found = crossings(above, 0.0, (end - start).total_seconds())
    rises = tuple(place.local(start + timedelta(seconds=s)) for s, rising in found if rising)
    sets = tuple(place.local(start + timedelta(seconds=s)) for s, rising in found if not rising)
    lit, waxing = moon_lit(first.replace(hour=12))
    return MoonDay(rises, sets, lit, waxing, _moon_note(rises, sets, above(0.0) > 0.0))


def moon_words(lit: float, waxing: bool) -> str:
    """Name the phase by its lit share: new, crescent, half, gibbous or full, waxing or waning."""
    share = f"{lit * 100:.0f} % of its disk lit"
    if lit < 0.02:
        return f"new moon, {share}"
    if lit > 0.98:
        return f"full moon, {share}"
    shape: Literal["crescent", "half", "gibbous"] = (
        "crescent" if lit < 0.45 else "half" if lit < 0.55 else "gibbous"
    )
    return f"{'waxing' if waxing else 'waning'} {shape} moon, {share}"


def _moon_direction(place: Place, when: datetime) -> tuple[float, float, float]:
    """Bearing and true elevation from the surface, radians, and distance from the centre, Earth radii."""
    from astral.sun import eq_of_time, sun_rt_ascension

    ra, dec, distance = moon_of_date(when)
    days = days_since_2000(when)
    century = days / 36525.0
    # Sidereal angle at Greenwich: the sun's hour angle plus its right ascension, by the sun's own series.
    utc = when.astimezone(UTC)
    minutes = utc.hour * 60.0 + utc.minute + (utc.second + utc.microsecond * 1e-6) / 60.0
    sidereal = math.radians((minutes + eq_of_time(century)) / 4.0 - 180.0 + sun_rt_ascension(century))
    azimuth, elevation = bearing_and_elevation(place.latitude, dec, sidereal + place.longitude - ra)
    # Parallax: the observer stands one Earth radius towards the moon's zenith (Meeus ch. 40, on a sphere).
    seen = math.atan2(distance * math.sin(elevation) - 1.0, distance * math.cos(elevation))
    return azimuth, seen, distance


def _moon_note(rises: tuple[datetime, ...], sets: tuple[datetime, ...], up_at_start: bool) -> str | None:
    if not rises and not sets:
        return f"the moon stays {'above' if up_at_start else 'below'} the horizon all day"
    if not rises:
        return "the moon does not rise on this day"
    if not sets:
        return "the moon does not set on this day"
    return None
