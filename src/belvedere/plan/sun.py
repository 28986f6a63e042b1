"""Where the sun stands, and its track over the time of a sweep.

The sun's declination and the equation of time come from the kept library astral (after J. Meeus, Astronomical
Algorithms). Bearings are true: clockwise from the geographic pole. Magnetic declination is not computed:
a compass must be corrected for it, by the figure printed on the local map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from belvedere.errors import PlanError
from belvedere.plan.place import Place, checked_moment, days_since_2000
from belvedere.plan.sky_position import (
    angle_between,
    bearing_and_elevation,
    refraction,
    standard_pressure_hpa,
)

TRUE_BEARINGS = (
    "Bearings are true, clockwise from geographic north. A compass points to magnetic north: "
    "correct it by the declination printed on the local map."
)
_HORIZONTAL_PARALLAX = math.radians(8.794 / 3600.0)  # at one astronomical unit


@dataclass(frozen=True, slots=True)
class SunAt:
    """The sun's centre at one moment.

    Parameters
    ----------
    when : datetime
        Aware.
    azimuth : float
        Bearing clockwise from true north, radians in [0, 2 pi). At a pole: from the meridian of the place.
    elevation : float
        Apparent: as seen and as photographed, lifted by the air; radians.
    true_elevation : float
        The same without the air, radians. Twilight is defined by it.
    """

    when: datetime
    azimuth: float
    elevation: float
    true_elevation: float


def sun_at(
    place: Place, when: datetime, *, pressure_hpa: float | None = None, temperature_c: float = 10.0
) -> SunAt:
    """Compute where the sun stands.

    Parameters
    ----------
    when : datetime
        Aware, years 1900 .. 2100.
    pressure_hpa : float or None
        Air pressure; None takes the standard atmosphere's at the place's elevation.
    temperature_c : float
        Degrees Celsius.

    Returns
    -------
    sun : SunAt
        Within 0.015 degree of the solar position algorithm of Reda & Andreas (2004).

    Raises
    ------
    PlanError
        If the moment has no clock or lies outside the years, or the air is none.
    """
    azimuth, true = sun_direction(place, when)
    pressure = standard_pressure_hpa(place.elevation_m) if pressure_hpa is None else pressure_hpa
    return SunAt(when, azimuth, true + refraction(true, pressure, temperature_c), true)


def sun_direction(place: Place, when: datetime) -> tuple[float, float]:
    """Bearing and true elevation of the sun's centre, radians, seen from the Earth's surface."""
    from astral.sun import eq_of_time, sun_declination

    century = days_since_2000(when) / 36525.0
    utc = when.astimezone(UTC)
    minutes = utc.hour * 60.0 + utc.minute + (utc.second + utc.microsecond * 1e-6) / 60.0
    solar_minutes = minutes + eq_of_time(century)  # 4 minutes of time to a degree
    hour_angle = math.radians(solar_minutes / 4.0 - 180.0) + place.longitude
    azimuth, elevation = bearing_and_elevation(
        place.latitude, math.radians(sun_declination(century)), hour_angle
    )
    return azimuth, elevation - _HORIZONTAL_PARALLAX * math.cos(elevation)


def solar_noon(place: Place, day: datetime) -> datetime:
    """Moment at which the sun crosses the meridian on the calendar day of `day` at the place.

    Returns
    -------
    noon : datetime
        On the clock of the place, within some seconds. Far from the meridian of its clock a place may have
        its noon hours from twelve.
    """
    from astral.sun import eq_of_time

    noon_clock = place.local(day).replace(hour=12, minute=0, second=0, microsecond=0)
    start = noon_clock.astimezone(UTC)
    midday = start.replace(hour=12, minute=0, second=0)
    meridian = timedelta(minutes=-4.0 * math.degrees(place.longitude))
    candidates = []
    for shift in (-1, 0, 1):
        noon = midday + timedelta(days=shift) + meridian
        noon -= timedelta(minutes=eq_of_time(days_since_2000(noon) / 36525.0))
        candidates.append(noon)
    return place.local(min(candidates, key=lambda noon: abs(noon - start)))


def sun_track(place: Place, start: datetime, duration_s: float, step_s: float = 60.0) -> tuple[SunAt, ...]:
    """Compute the sun at even times over a sweep, first and last moment included.

    Parameters
    ----------
    duration_s : float
        Seconds, 0 .. 366 days; 0 gives one position.
    step_s : float
        No two neighbouring moments lie farther apart than this, seconds, >= 1.

    Raises
    ------
    PlanError
        If the duration or step is outside its range.
    """
    if not 0.0 <= duration_s <= 366.0 * 86400.0:
        raise PlanError(f"a sweep lasts between 0 seconds and a year, got {duration_s:g} seconds")
    if not step_s >= 1.0:
        raise PlanError(f"a step along the sun's track is 1 second or more, got {step_s:g}")
    steps = max(1, math.ceil(duration_s / step_s)) if duration_s > 0 else 0
    first = checked_moment(start)
    moments = [0.0] if steps == 0 else [duration_s * i / steps for i in range(steps + 1)]
    return tuple(sun_at(place, first.astimezone(UTC) + timedelta(seconds=s)) for s in moments)


@dataclass(frozen=True, slots=True)
class SunDrift:
    """How the sun moves from the first to the last moment of a track.

    Parameters
    ----------
    angle : float
        On the sphere, radians: what the shadows' light turns by.
    azimuth_change : float
        Radians in (-pi, pi], clockwise positive.
    elevation_change : float
        Apparent, radians, rising positive.
    """

    angle: float
    azimuth_change: float
    elevation_change: float


def sun_drift(track: tuple[SunAt, ...]) -> SunDrift:
    """Compute the sun's drift from the ends of a track (at least one position)."""
    a, b = track[0], track[-1]
    return SunDrift(
        angle_between(a.azimuth, a.elevation, b.azimuth, b.elevation),
        math.remainder(b.azimuth - a.azimuth, 2 * math.pi),
        b.elevation - a.elevation,
    )
