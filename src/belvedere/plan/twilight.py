"""The light of one day: dawn, sunrise, low sun, sunset, dusk; polar day and night in words.

All moments are for a level sea horizon. Mountains take the sun earlier and give it later; from a height over
the sea it is the other way round. Air near the horizon can shift sunrise and sunset by a minute or more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from belvedere.plan.crossing import crossings
from belvedere.plan.place import Place
from belvedere.plan.sky_position import HORIZON_REFRACTION, SUN_HALF_DIAMETER
from belvedere.plan.sun import solar_noon, sun_direction

# Explanatory Supplement to the Astronomical Almanac (1992), section 9.3 (cited from memory).
SUNRISE_ELEVATION = -(HORIZON_REFRACTION + SUN_HALF_DIAMETER)
CIVIL_ELEVATION = math.radians(-6.0)
NAUTICAL_ELEVATION = math.radians(-12.0)
ASTRONOMICAL_ELEVATION = math.radians(-18.0)
# Below it the light is warm and changes fast: common practice, no published source.
LOW_SUN_ELEVATION = math.radians(6.0)


@dataclass(frozen=True, slots=True)
class LightLimit:
    """A height of the sun, and when it is passed before and after noon.

    Parameters
    ----------
    name : str
        Such as "sunrise and sunset".
    elevation : float
        True elevation of the sun's centre, radians.
    morning, evening : datetime or None
        On the clock of the place; None where the sun does not pass it in that half of the day. The evening's
        may fall on the next calendar day, the morning's on the one before.
    note : str or None
        Why one is missing, in words.
    """

    name: str
    elevation: float
    morning: datetime | None
    evening: datetime | None
    note: str | None

    @property
    def is_missed(self) -> bool:
        """Whether the sun passes this height neither before nor after noon."""
        return self.morning is None and self.evening is None


@dataclass(frozen=True, slots=True)
class DayOfLight:
    """The sun's light from midnight to midnight by the sun, around one noon.

    Parameters
    ----------
    noon : datetime
        When the sun crosses the meridian.
    noon_elevation : float
        True, radians.
    astronomical, nautical, civil, sun, low_sun : LightLimit
        The sun's centre 18, 12 and 6 degrees under the horizon; its upper limb on it; 6 degrees above.
    """

    noon: datetime
    noon_elevation: float
    astronomical: LightLimit
    nautical: LightLimit
    civil: LightLimit
    sun: LightLimit
    low_sun: LightLimit

    @property
    def limits(self) -> tuple[LightLimit, ...]:
        """All five, from the darkest to the brightest."""
        return (self.astronomical, self.nautical, self.civil, self.sun, self.low_sun)

    @property
    def notes(self) -> tuple[str, ...]:
        """What is out of the ordinary, such as polar night; empty on an ordinary day.

        Of limits the sun never comes down to, only the brightest is named (polar day, not light nights too);
        of those it never climbs to, only the darkest.
        """
        missed = [limit for limit in self.limits if limit.note is not None]
        always = [m for m in missed if m.is_missed and m.elevation < self.noon_elevation][-1:]
        never = [m for m in missed if m.is_missed and m.elevation >= self.noon_elevation][:1]
        once = [m for m in missed if not m.is_missed]
        return tuple(m.note for m in always + never + once if m.note is not None)


def day_of_light(place: Place, day: datetime) -> DayOfLight:
    """Compute twilight, sunrise and sunset for the calendar day of `day` at the place, to about a minute.

    Raises
    ------
    PlanError
        If the moment has no clock or lies outside 1900 .. 2100.
    """
    noon = solar_noon(place, day)
    start = noon.astimezone(UTC)

    def elevation(seconds: float) -> float:
        return sun_direction(place, start + timedelta(seconds=seconds))[1]

    def limit(name: str, level: float, always: str, never: str) -> LightLimit:
        found = crossings(lambda s: elevation(s) - level, -43200.0, 43200.0)
        rises = [s for s, rising in found if rising and s <= 0.0]
        sets = [s for s, rising in found if not rising and s > 0.0]
        morning = place.local(start + timedelta(seconds=rises[-1])) if rises else None
        evening = place.local(start + timedelta(seconds=sets[0])) if sets else None
        note = None
        if morning is None and evening is None:
            note = always if elevation(0.0) > level else never
        elif morning is None:
            note = f"{name}: none in the morning of this day"
        elif evening is None:
            note = f"{name}: none in the evening of this day"
        return LightLimit(name, level, morning, evening, note)

    return DayOfLight(
        noon=noon,
        noon_elevation=elevation(0.0),
        astronomical=limit(
            "astronomical twilight",
            ASTRONOMICAL_ELEVATION,
            "the night does not become fully dark: the sun stays less than 18 degrees under the horizon",
            "polar night: the sky is fully dark all day",
        ),
        nautical=limit(
            "nautical twilight",
            NAUTICAL_ELEVATION,
            "nautical twilight lasts all night",
            "polar night: the sun stays more than 12 degrees under the horizon",
        ),
        civil=limit(
            "civil twilight",
            CIVIL_ELEVATION,
            "civil twilight lasts all night: it stays light enough to walk by",
            "polar night: the sun stays more than 6 degrees under the horizon, no daylight to walk by",
        ),
        sun=limit(
            "sunrise and sunset",
            SUNRISE_ELEVATION,
            "polar day: the sun does not set",
            "polar night: the sun does not rise",
        ),
        low_sun=limit(
            "low sun",
            LOW_SUN_ELEVATION,
            "polar day: the sun stays higher than 6 degrees",
            "the sun does not climb above 6 degrees: the light is low all day",
        ),
    )
