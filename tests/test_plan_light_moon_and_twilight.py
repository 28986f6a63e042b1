"""The moon against published values; sunrise against the solar position algorithm; polar days."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime, timedelta

import pytest

from belvedere.plan.moon import moon_at, moon_day, moon_lit, moon_of_date, moon_words
from belvedere.plan.place import Place
from belvedere.plan.sky_position import angle_between
from belvedere.plan.sun import sun_at
from belvedere.plan.twilight import day_of_light

NORTH = Place.from_degrees(70.0, 20.0, 0.0, "Etc/GMT-1")


def test_the_moon_of_the_published_worked_example() -> None:
    """J. Meeus, Astronomical Algorithms, 2nd ed. (1998), examples 47.a and 48.a (cited from memory).

    1992 April 12, 0h even time: right ascension 134.688470, declination 13.768368 degrees, 368,409.7 km,
    share lit 0.6786. The short series promises about an arc minute.
    """
    when = datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=69.0)
    ascension, declination, distance = moon_of_date(when)
    assert math.degrees(ascension) == pytest.approx(134.688470, abs=1 / 60)
    assert math.degrees(declination) == pytest.approx(13.768368, abs=1 / 60)
    assert distance * 6378.14 == pytest.approx(368409.7, rel=1e-3)
    lit, waxing = moon_lit(when)
    assert lit == pytest.approx(0.6786, abs=0.001)
    assert waxing


@pytest.mark.parametrize(
    ("when", "latitude", "longitude", "sun_elevation"),
    [
        (datetime(1999, 8, 11, 11, 3, 5, tzinfo=UTC), 45.1, 24.3, 59.3),
        (datetime(2017, 8, 21, 18, 25, 32, tzinfo=UTC), 36.97, -87.67, 63.9),
        (datetime(2024, 4, 8, 18, 17, 16, tzinfo=UTC), 25.3, -104.1, 69.8),
    ],
)
def test_the_moon_covers_the_sun_where_an_eclipse_was_greatest(
    when: datetime, latitude: float, longitude: float, sun_elevation: float
) -> None:
    """F. Espenak, catalogue of solar eclipses: time, place, sun's height at greatest eclipse (from memory).

    Sun and moon are computed by different series and only the moon has a parallax to speak of (nearly half
    a degree here), so their meeting within some arc minutes checks position, clock and parallax.
    """
    place = Place.from_degrees(latitude, longitude)
    sun, moon = sun_at(place, when), moon_at(place, when)
    assert math.degrees(sun.elevation) == pytest.approx(sun_elevation, abs=0.15)
    apart = angle_between(sun.azimuth, sun.true_elevation, moon.azimuth, moon.true_elevation)
    assert math.degrees(apart) < 0.05
    assert moon.lit < 0.001


def test_full_and_new_moon_are_named() -> None:
    """Total lunar eclipse of 2015-09-28, 02:47 UTC (from memory): the moon was full."""
    lit, _ = moon_lit(datetime(2015, 9, 28, 2, 47, tzinfo=UTC))
    assert lit > 0.9995
    assert moon_words(lit, True) == "full moon, 100 % of its disk lit"
    assert moon_words(0.0, True).startswith("new moon")
    assert moon_words(0.3, True).startswith("waxing crescent")
    assert moon_words(0.5, False).startswith("waning half")
    assert moon_words(0.8, False).startswith("waning gibbous")


def test_moonrise_is_where_the_upper_limb_meets_the_horizon() -> None:
    """Internal consistency: at rise and set the apparent upper limb is on the level, east and west."""
    place = Place.from_degrees(48.0, 9.0, 0.0, "Etc/GMT-1")
    rises = []
    for n in range(30):
        day = moon_day(place, datetime(2026, 5, 1, 12, tzinfo=UTC) + timedelta(days=n))
        rises += day.rises
        for moment, rising in [(m, True) for m in day.rises] + [(m, False) for m in day.sets]:
            moon = moon_at(place, moment)
            assert math.degrees(moon.true_elevation) == pytest.approx(-0.83, abs=0.03)
            assert (moon.azimuth < math.pi) == rising  # it rises in the east
            assert moment.date() == (datetime(2026, 5, 1) + timedelta(days=n)).date()
        assert (day.note is None) == (len(day.rises) > 0 and len(day.sets) > 0)
    # A lunar month brings one moonrise less than days, some 50 minutes later each day.
    assert len(rises) in (28, 29)
    gaps = [(b - a).total_seconds() / 3600.0 for a, b in itertools.pairwise(rises)]
    assert sum(gaps) / len(gaps) == pytest.approx(24.84, abs=0.15)


def test_a_day_without_moonrise_is_said_in_words() -> None:
    notes = {
        moon_day(NORTH, datetime(2026, 3, 1, 12, tzinfo=UTC) + timedelta(days=n)).note for n in range(29)
    }
    assert "the moon stays below the horizon all day" in notes
    assert "the moon stays above the horizon all day" in notes


@pytest.mark.parametrize("latitude", [-60.0, -20.0, 0.0, 40.0, 60.0])
def test_sunrise_and_sunset_agree_with_the_solar_position_algorithm(latitude: float) -> None:
    """Oracle: pvlib's `sun_rise_set_transit_spa` (Reda & Andreas 2004), within ten seconds."""
    pytest.importorskip("pvlib", reason="the test oracle pvlib is a development dependency")
    import pandas as pd
    from pvlib.solarposition import sun_rise_set_transit_spa

    place = Place.from_degrees(latitude, 5.0)
    days = [datetime(2026, 1, 10, tzinfo=UTC) + timedelta(days=73 * n) for n in range(5)]
    oracle = sun_rise_set_transit_spa(pd.DatetimeIndex(days), latitude, 5.0)
    for day, (_, row) in zip(days, oracle.iterrows(), strict=True):
        light = day_of_light(place, day + timedelta(hours=12))
        assert light.sun.morning is not None
        assert light.sun.evening is not None
        assert abs((light.sun.morning - row["sunrise"]).total_seconds()) < 10.0
        assert abs((light.sun.evening - row["sunset"]).total_seconds()) < 10.0
        assert abs((light.noon - row["transit"]).total_seconds()) < 5.0
        assert light.notes == () or abs(latitude) == 60.0


def test_the_limits_of_an_ordinary_day_come_in_order() -> None:
    place = Place.from_degrees(47.0, 8.0, 500.0, "CET")
    light = day_of_light(place, datetime(2026, 10, 5, 12, tzinfo=UTC))
    mornings = [limit.morning for limit in light.limits]
    evenings = [limit.evening for limit in light.limits][::-1]
    times = [t for t in [*mornings, light.noon, *evenings] if t is not None]
    assert len(times) == 11
    assert times == sorted(times)
    assert {t.date() for t in times} == {datetime(2026, 10, 5).date()}
    assert light.notes == ()
    for limit in light.limits:
        assert limit.evening is not None
        assert sun_at(place, limit.evening).true_elevation == pytest.approx(limit.elevation, abs=1e-4)


def test_polar_day_and_night_are_said_in_words() -> None:
    summer = day_of_light(NORTH, datetime(2026, 6, 21, 12, tzinfo=UTC))
    assert summer.sun.morning is None
    assert summer.sun.evening is None
    assert summer.notes == ("polar day: the sun does not set",)
    winter = day_of_light(NORTH, datetime(2026, 12, 21, 12, tzinfo=UTC))
    assert winter.notes == ("polar night: the sun does not rise",)
    assert winter.civil.morning is not None  # there are some hours of twilight at noon
    pole = Place.from_degrees(90.0, 0.0)
    for month in range(1, 13):
        assert day_of_light(pole, datetime(2026, month, 10, 12, tzinfo=UTC)).notes != ()


def test_a_light_night_in_summer_is_named_and_late_dusk_belongs_to_its_evening() -> None:
    place = Place.from_degrees(50.5, 8.0, 0.0, "CET")
    light = day_of_light(place, datetime(2026, 6, 21, 12, tzinfo=UTC))
    assert light.notes == (
        "the night does not become fully dark: the sun stays less than 18 degrees under the horizon",
    )
    south = Place.from_degrees(47.0, -9.0, 0.0, "CET")  # far west of its clock
    late = day_of_light(south, datetime(2026, 6, 10, 12, tzinfo=UTC))
    assert late.astronomical.evening is not None
    assert late.astronomical.evening.day == 11  # after midnight, and still this evening's
