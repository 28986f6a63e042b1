"""The sun against the solar position algorithm, places, clocks and the air's refraction."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from belvedere.errors import PlanError
from belvedere.plan.place import Place, read_moment
from belvedere.plan.sky_position import angle_between, bearing_and_elevation, compass_word, refraction
from belvedere.plan.sun import solar_noon, sun_at, sun_drift, sun_track

LATITUDES = (-60.0, -35.0, -10.0, 0.0, 23.0, 45.0, 60.0, 70.0)


def test_the_published_worked_example() -> None:
    """I. Reda, A. Andreas, Solar Energy 76(5) (2004), table A5.1 (from memory): zenith
    50.11162, azimuth 194.34024 degrees."""
    place = Place.from_degrees(39.742476, -105.1786, 1830.14, "Etc/GMT+7")
    when = read_moment("2003-10-17 12:30:30", place)
    sun = sun_at(place, when, pressure_hpa=820.0, temperature_c=11.0)
    assert 90.0 - math.degrees(sun.elevation) == pytest.approx(50.11162, abs=0.005)
    assert math.degrees(sun.azimuth) == pytest.approx(194.34024, abs=0.005)


def _year(latitude: float) -> tuple[list[datetime], Place]:
    """Moments over one year, 8.77 days and some hours apart, so that every hour of the day comes up."""
    start = datetime(2026, 1, 1, 0, 7, tzinfo=UTC)
    return [start + timedelta(hours=97.3 * i) for i in range(90)], Place.from_degrees(latitude, 17.0, 300.0)


@pytest.mark.parametrize("latitude", LATITUDES)
def test_the_sun_agrees_with_the_solar_position_algorithm_over_a_year(latitude: float) -> None:
    """Oracle: pvlib's `nrel_numpy` (Reda & Andreas 2004): true against true, apparent against apparent.

    The same air on both sides: 975 hPa, 10 degrees Celsius.
    """
    pytest.importorskip("pvlib", reason="the test oracle pvlib is a development dependency")
    import pandas as pd
    from pvlib.solarposition import get_solarposition

    moments, place = _year(latitude)
    oracle = get_solarposition(
        pd.DatetimeIndex(moments),
        latitude,
        17.0,
        altitude=300.0,
        pressure=97500.0,
        method="nrel_numpy",
        temperature=10.0,
    )
    suns = [sun_at(place, m, pressure_hpa=975.0, temperature_c=10.0) for m in moments]
    high = oracle["apparent_elevation"].to_numpy() > 2.0
    assert np.count_nonzero(high) > 25
    true = np.degrees([s.true_elevation for s in suns]) - oracle["elevation"].to_numpy()
    seen = np.degrees([s.elevation for s in suns]) - oracle["apparent_elevation"].to_numpy()
    bearing = np.degrees([s.azimuth for s in suns]) - oracle["azimuth"].to_numpy()
    bearing = (bearing + 180.0) % 360.0 - 180.0
    off_sideways = bearing * np.cos(np.radians(oracle["elevation"].to_numpy()))
    assert np.abs(true).max() < 0.015  # by day and by night
    assert np.abs(seen[high]).max() < 0.015
    assert np.abs(off_sideways).max() < 0.015
    assert np.abs(bearing[high & (oracle["elevation"].to_numpy() < 80.0)]).max() < 0.05


def test_refraction_is_the_equation_of_the_solar_position_algorithm() -> None:
    """Half a degree at the horizon (34 minutes seen, 29 from the true horizon), nothing overhead, none below.

    29 arc minutes at a true elevation of 0: Saemundsson (1986), as quoted by Meeus, Astronomical Algorithms,
    ch. 16 (cited from memory: 28.9 to 29).
    """
    assert math.degrees(refraction(0.0)) * 60.0 == pytest.approx(29.0, abs=0.2)
    assert math.degrees(refraction(math.radians(89.9))) < 0.001
    assert refraction(math.radians(-1.0)) == 0.0
    assert refraction(0.2, pressure_hpa=0.0) == 0.0
    assert refraction(0.2, 1010.0, -20.0) > refraction(0.2, 1010.0, 30.0)
    with pytest.raises(PlanError, match=r"air has 0 to 1100 hPa"):
        refraction(0.1, 3000.0)


def test_bearing_and_elevation_at_the_corners_of_the_sky() -> None:
    for latitude in (-1.2, 0.0, 0.9):
        bearing, elevation = bearing_and_elevation(latitude, 0.1, 0.0)  # in the meridian
        assert elevation == pytest.approx(math.pi / 2 - abs(latitude - 0.1))
        assert math.cos(bearing) == pytest.approx(1.0 if latitude < 0.1 else -1.0)
    bearing, elevation = bearing_and_elevation(0.9, 0.0, math.pi / 2)  # the equinox's sun sets due west
    assert bearing == pytest.approx(3 * math.pi / 2)
    assert elevation == pytest.approx(0.0, abs=1e-12)
    _, elevation = bearing_and_elevation(math.pi / 2, 0.3, 2.0)  # at the pole it circles at its declination
    assert elevation == pytest.approx(0.3)


def test_compass_words_and_angles() -> None:
    assert [compass_word(math.radians(b)) for b in (0, 44, 181, 292, 359)] == [
        "north",
        "north-east",
        "south",
        "west-north-west",
        "north",
    ]
    assert angle_between(0.1, 0.0, 0.4, 0.0) == pytest.approx(0.3)
    assert angle_between(0.0, 1.5, math.pi, 1.5) == pytest.approx(math.pi - 3.0)


def test_a_track_holds_both_ends_and_drifts_as_the_sky_turns() -> None:
    place = Place.from_degrees(0.0, 0.0)
    start = datetime(2026, 3, 20, 8, 0, tzinfo=UTC)
    track = sun_track(place, start, 3600.0)
    assert len(track) == 61
    assert track[-1].when - track[0].when == timedelta(hours=1)
    drift = sun_drift(track)
    assert math.degrees(drift.angle) == pytest.approx(15.0, abs=0.05)  # one turn in 24 hours, at the equinox
    assert math.degrees(drift.elevation_change) == pytest.approx(15.0, abs=0.1)
    assert len(sun_track(place, start, 0.0)) == 1
    with pytest.raises(PlanError, match=r"and a year"):
        sun_track(place, start, -1.0)


@pytest.mark.parametrize("longitude", [-179.0, -75.0, 0.0, 100.0, 179.0])
def test_solar_noon_is_when_the_sun_is_highest(longitude: float) -> None:
    place = Place.from_degrees(50.0, longitude, zone="Etc/GMT-3")
    noon = solar_noon(place, datetime(2026, 11, 3, 22, 0, tzinfo=UTC))
    heights = [sun_at(place, noon + timedelta(minutes=m)).elevation for m in (-4, 0, 4)]
    assert heights[1] == max(heights)
    assert abs(noon - noon.replace(hour=12, minute=0)) <= timedelta(hours=12, minutes=1)


def test_a_place_that_is_none_is_refused_in_words() -> None:
    with pytest.raises(
        PlanError, match=r"latitude lies between -90 and 90 degrees, got 105.*wrong way round"
    ):
        Place.from_degrees(105.0, 39.0)
    with pytest.raises(PlanError, match=r"longitude .* got 200; that may be meant as -160"):
        Place.from_degrees(10.0, 200.0)
    with pytest.raises(PlanError, match=r"latitude"):
        Place(math.nan, 0.0)
    with pytest.raises(PlanError, match=r"longitude"):
        Place(0.0, math.inf)
    with pytest.raises(PlanError, match=r"metres"):
        Place(0.0, 0.0, 29000.0)
    with pytest.raises(PlanError, match=r'called "Etc/GMT-99".*Etc/GMT'):
        Place(0.0, 0.0, 0.0, "Etc/GMT-99")
    with pytest.raises(PlanError, match=r'called "UTC\+1"; close to it: Etc/GMT-1$'):
        Place(0.0, 0.0, 0.0, "UTC+1")
    for nonsense in ("", "../../etc/passwd", "Nowhere/At all"):
        with pytest.raises(PlanError, match=r"no time zone"):
            Place(0.0, 0.0, 0.0, nonsense)


def test_moments_are_read_on_the_clock_of_the_place() -> None:
    place = Place(0.8, 0.2, 0.0, "CET")
    assert read_moment("2026-01-05 12:00", place).astimezone(UTC).hour == 11
    assert read_moment("2026-07-05T12:00", place).astimezone(UTC).hour == 10  # summer time
    assert read_moment("2026-07-05T12:00+00:00", place).hour == 14
    with pytest.raises(PlanError, match=r"set forward over 2026-03-29 02:30.*03:30"):
        read_moment("2026-03-29 02:30", place)
    with pytest.raises(PlanError, match=r"no date and time; write year-month-day"):
        read_moment("tomorrow", place)
    with pytest.raises(PlanError, match=r"1900 to 2100, got 2500"):
        sun_at(place, datetime(2500, 1, 1, tzinfo=UTC))
    with pytest.raises(PlanError, match=r"1900 to 2100, got 1$"):
        read_moment("0001-01-01 00:00", place)
    with pytest.raises(PlanError, match=r"which clock"):
        sun_at(place, datetime(2026, 1, 1))
