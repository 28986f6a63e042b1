"""Sentences for a person about one day's light: dawn, sun, dusk and moon, on the clock of the place."""

from __future__ import annotations

import math
from datetime import date, datetime

from belvedere.plan.moon import MoonDay, moon_words
from belvedere.plan.place import Place
from belvedere.plan.twilight import DayOfLight


def day_words(day: DayOfLight, place: Place) -> tuple[str, ...]:
    """Say when it grows light, when the sun is low, highest, gone, and when it is dark; level horizon."""
    today = place.local(day.noon).date()
    names = (
        ("astronomical dawn", day.astronomical.morning),
        ("nautical dawn", day.nautical.morning),
        ("civil dawn", day.civil.morning),
        ("sunrise", day.sun.morning),
        ("low sun until", day.low_sun.morning),
        ("low sun from", day.low_sun.evening),
        ("sunset", day.sun.evening),
        ("civil dusk", day.civil.evening),
        ("nautical dusk", day.nautical.evening),
        ("astronomical dusk", day.astronomical.evening),
    )
    morning = [f"{name} {_clock(place, when, today)}" for name, when in names[:5] if when is not None]
    evening = [f"{name} {_clock(place, when, today)}" for name, when in names[5:] if when is not None]
    said = [_sentence(morning)] if morning else []
    height = math.degrees(day.noon_elevation)
    where = f"{height:.0f} degrees high" if height >= 0 else f"{-height:.0f} degrees below the horizon"
    said.append(f"Noon by the sun {_clock(place, day.noon, today)}, {where}.")
    if evening:
        said.append(_sentence(evening))
    said.extend(_sentence([note]) for note in day.notes)
    return tuple(said)


def moon_day_words(day: MoonDay, place: Place) -> str:
    """Say when the moon rises and sets on a calendar day, and how much of it is lit."""
    events = sorted([(t, "moonrise") for t in day.rises] + [(t, "moonset") for t in day.sets])
    said = [f"{name} {place.local(t):%H:%M}" for t, name in events]
    if day.note is not None:
        said.append(day.note)
    return _sentence([*said, moon_words(day.lit, day.waxing)])


def _sentence(parts: list[str]) -> str:
    text = ", ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _clock(place: Place, when: datetime, today: date) -> str:
    """Hour and minute, and whether that is the day before or the day after."""
    here = place.local(when)
    other = {-1: " (the day before)", 1: " (the day after)"}.get((here.date() - today).days, "")
    return f"{here:%H:%M}{other}"
