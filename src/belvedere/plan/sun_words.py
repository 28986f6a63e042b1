"""Sentences for a person about the sun over a sweep: where it stands, which stops have it, flare."""

from __future__ import annotations

import math
from datetime import datetime

from belvedere.plan.place import Place
from belvedere.plan.sky_position import compass_word
from belvedere.plan.sun import SunAt
from belvedere.plan.sun_and_field import FLARE_REACH, SunInView, SunOverSweep, stop_numbers

# Twenty minutes' turn of the sky; shadows then visibly disagree: common practice, no published source.
LONG_DRIFT = math.radians(5.0)


def sun_words(over: SunOverSweep, place: Place) -> tuple[str, ...]:
    """Say where the sun stands at start and end of the sweep, which stops hold it, and where it may flare."""
    said = [
        f"At the start ({_clock(place, over.start.sun.when)}) the sun stands {_stands(over.start)}.",
        f"At the end ({_clock(place, over.end.sun.when)}) it stands {_stands(over.end)}; it moves "
        f"{math.degrees(over.drift.angle):.1f} degrees during the sweep, and the shadows with it.",
    ]
    if over.start.is_up and over.drift.angle > LONG_DRIFT:
        said.append(
            "That is a long way: light and shadows of the first frames will not match those of the last. "
            "A quicker pace, a shorter lens or a smaller view keeps them together."
        )
    if over.held_by:
        said.append(f"The sun is in the frame at {_stops(over.held_by)}.")
    elif over.nearest_stop is not None:
        said.append(
            f"No frame has the sun in it; stop {over.nearest_stop} comes nearest, "
            f"{_away(over.nearest_distance)} from the frame's edge."
        )
    if over.flare_at:
        said.append(
            f"At {_stops(over.flare_at)} the sun stands within {math.degrees(FLARE_REACH):.0f} degrees "
            "outside the frame: shade the lens with a hood or a hand and look for flare."
        )
    return tuple(said)


def where_words(sun: SunAt) -> str:
    """Say where the sun is, such as "at 243 degrees (west-south-west), 11.3 degrees high"."""
    up = math.degrees(sun.elevation)
    height = f"{up:.1f} degrees high" if up >= 0 else f"{-up:.1f} degrees below the horizon"
    bearing = round(math.degrees(sun.azimuth)) % 360
    return f"at {bearing} degrees ({compass_word(sun.azimuth)}), {height}"


def _stands(seen: SunInView) -> str:
    where = where_words(seen.sun)
    if not seen.is_up:
        return where
    if seen.edge is None:
        return f"{where}, inside the view, which has no edge"
    away = _away(seen.edge_distance)
    side = "inside" if seen.inside else "outside"
    return f"{where}, {away} {side} the view's {seen.edge} edge"


def _away(angle: float) -> str:
    """An angle in degrees, with a decimal where it is small."""
    degrees = math.degrees(angle)
    return f"{degrees:.0f} degrees" if degrees >= 9.95 else f"{degrees:.1f} degrees"


def _stops(numbers: tuple[int, ...]) -> str:
    return f"stop{'' if len(numbers) == 1 else 's'} {stop_numbers(numbers)}"


def _clock(place: Place, when: datetime) -> str:
    return f"{place.local(when):%H:%M}"
