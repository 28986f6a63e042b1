"""Where and when: a place on the Earth with its clock, and moments read as a person writes them."""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from belvedere.errors import PlanError

# The short series for sun and moon are good for a few arc minutes or better within these years.
FIRST_YEAR, LAST_YEAR = 1900, 2100


@dataclass(frozen=True, slots=True)
class Place:
    """A standpoint.

    Parameters
    ----------
    latitude, longitude : float
        Geodetic, radians; north and east are positive. Within +-pi/2 and +-pi.
    elevation_m : float
        Height above the sea, metres, -500 .. 9000. It thins the air that bends the light; it does not
        lower the horizon (see `belvedere.plan.twilight`).
    zone : str
        Name of the clock in the IANA time zone database, such as "UTC" or "Etc/GMT-1".

    Raises
    ------
    PlanError
        If a number is not finite or outside its range, or the zone is not known.
    """

    latitude: float
    longitude: float
    elevation_m: float = 0.0
    zone: str = "UTC"

    def __post_init__(self) -> None:
        if not abs(self.latitude) <= math.pi / 2:
            raise PlanError(
                f"a latitude lies between -90 and 90 degrees, got {math.degrees(self.latitude):g}",
                _swapped(self.latitude, self.longitude),
            )
        if not abs(self.longitude) <= math.pi:
            turned = (
                math.degrees(math.remainder(self.longitude, 2 * math.pi)) if _finite(self.longitude) else 0
            )
            raise PlanError(
                "a longitude lies between -180 and 180 degrees, east positive, "
                f"got {math.degrees(self.longitude):g}",
                f"that may be meant as {turned:g}" if _finite(self.longitude) else None,
            )
        if not -500.0 <= self.elevation_m <= 9000.0:
            raise PlanError(
                f"a place lies between -500 and 9000 metres above the sea, got {self.elevation_m:g}",
                "give the elevation in metres",
            )
        zone_named(self.zone)

    @classmethod
    def from_degrees(
        cls, latitude_deg: float, longitude_deg: float, elevation_m: float = 0.0, zone: str = "UTC"
    ) -> Place:
        """Make a place from degrees, as a person gives them."""
        return cls(math.radians(latitude_deg), math.radians(longitude_deg), elevation_m, zone)

    def local(self, when: datetime) -> datetime:
        """Return the moment on the clock of the place."""
        return checked_moment(when).astimezone(zone_named(self.zone))


def zone_named(name: str) -> ZoneInfo:
    """Look a clock up in the IANA time zone database.

    Raises
    ------
    PlanError
        If there is none of that name; names the closest ones.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        close = _close_zones(name)
        nearest = f"close to it: {', '.join(close)}" if close else 'give one such as "UTC" or "Etc/GMT-1"'
        raise PlanError(f'no time zone is called "{name[:60]}"', nearest) from None


def read_moment(text: str, place: Place) -> datetime:
    """Read a moment such as "2026-06-21 05:30" on the clock of the place, or with its own offset.

    Where the clock is set back and a time comes twice, the first is taken.

    Returns
    -------
    when : datetime
        Aware, on the clock of the place.

    Raises
    ------
    PlanError
        If the text is no date and time, lies outside 1900 .. 2100, or the clock jumps over it.
    """
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise PlanError(
            f'"{text}" is no date and time', "write year-month-day hour:minute, such as 2026-06-21 05:30"
        ) from None
    if when.tzinfo is not None:
        return place.local(when)
    _check_year(when.year)
    here = when.replace(tzinfo=zone_named(place.zone))
    back = place.local(here.astimezone(UTC))
    if back.replace(tzinfo=None) != when:
        raise PlanError(
            f"the clock of {place.zone} is set forward over {when:%Y-%m-%d %H:%M}, that time does not come",
            f"the same moment is {back:%H:%M}",
        )
    return back


def checked_moment(when: datetime) -> datetime:
    """Return the moment if it names its clock and lies within 1900 .. 2100.

    Raises
    ------
    PlanError
        If not.
    """
    if when.tzinfo is None or when.utcoffset() is None:
        raise PlanError(f"{when:%Y-%m-%d %H:%M} does not say on which clock", "give the time zone too")
    _check_year(when.year)
    return when


def days_since_2000(when: datetime) -> float:
    """Days from 2000-01-01 12:00 UTC (Julian date 2451545.0), negative before it."""
    since: timedelta = checked_moment(when) - _NOON_2000
    return since.total_seconds() / 86400.0


_NOON_2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def _check_year(year: int) -> None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise PlanError(f"sun and moon are computed for the years {FIRST_YEAR} to {LAST_YEAR}, got {year}")


def _swapped(latitude: float, longitude: float) -> str | None:
    """Say that the two were perhaps given the wrong way round, where that would make a place."""
    if _finite(latitude) and abs(latitude) <= math.pi and abs(longitude) <= math.pi / 2:
        return "were latitude and longitude given the wrong way round? Latitude comes first"
    return None


def _finite(value: float) -> bool:
    return math.isfinite(value)


@lru_cache(maxsize=16)
def _close_zones(name: str) -> tuple[str, ...]:
    """Names of the database for the offset or the town given, or else closest in spelling."""
    lower = name.strip().lower().replace(" ", "_")
    names = sorted(available_timezones())
    offset = re.fullmatch(r"(?:utc|gmt)([+-])0?(\d{1,2})(?::?00)?", lower)
    if (
        offset is not None
    ):  # in the database's names the sign is the other way round: Etc/GMT-1 is ahead of UTC
        turned = f"Etc/GMT{'-' if offset[1] == '+' else '+'}{offset[2]}"
        return (turned,) if turned in names else ()
    towns = [n for n in names if lower and n.lower().rsplit("/", 1)[-1] == lower]
    return tuple(towns or difflib.get_close_matches(name, names, n=3, cutoff=0.6))
