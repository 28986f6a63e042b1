"""Where and when the plan is carried out, as a command line tells it."""

from __future__ import annotations

import argparse
import math
import re
from dataclasses import dataclass
from datetime import datetime

from belvedere.errors import PlanError
from belvedere.plan.place import Place, read_moment

_DAY_ALONE = r"\s*\d{4}-\d{2}-\d{2}\s*"


@dataclass(frozen=True, slots=True)
class MomentAsked:
    """The place, the moment of the first frame, and whether only the day was given."""

    place: Place
    when: datetime
    day_alone: bool
    assumed: tuple[str, ...] = ()


def moment_asked(given: argparse.Namespace) -> MomentAsked | None:
    """Place and time; None where neither is given.

    Raises
    ------
    PlanError
        If one is given without the other, or either cannot be.
    """
    if given.place is None and given.when is None:
        if given.zone is not None:
            raise PlanError("--zone tells the clock, but not when", "give --when and --place too")
        return None
    if given.place is None or given.when is None:
        missing = "--place LAT LON" if given.place is None else '--when "2026-10-03 07:10"'
        raise PlanError("the light depends on place and time", f"give {missing} too")
    latitude, longitude, elevation = _coordinates(given.place)
    assumed: tuple[str, ...] = ()
    zone = None if given.zone is None else _zone_name(given.zone)
    if zone is None:
        offset = re.search(r"\d:?\d{2}\s*([+-])(\d{2}):?00$", given.when.strip())
        if offset is not None:
            zone = _fixed(int(offset[1] + offset[2]))
        else:
            hours = round(longitude / 15.0)
            zone = _fixed(hours)
            assumed = (f"the clock UTC{hours:+d}, by the longitude, no summer time (--zone tells yours)",)
    place = Place.from_degrees(latitude, longitude, elevation, zone)
    day_alone = re.fullmatch(_DAY_ALONE, given.when) is not None
    return MomentAsked(place, read_moment(given.when.strip(), place), day_alone, assumed)


def _zone_name(text: str) -> str:
    """A name of the time zone database, also for "UTC+2"."""
    match = re.fullmatch(r"\s*(?:UTC|GMT)\s*([+-]\d{1,2})(?::?00)?\s*", text.upper())
    return _fixed(int(match[1])) if match else text.strip()


def _fixed(hours: int) -> str:
    """The database's name of a clock so many hours ahead of UTC: its sign is the other way round."""
    return "UTC" if hours == 0 else f"Etc/GMT{-hours:+d}"


def _coordinates(words: list[str]) -> tuple[float, float, float]:
    """Latitude, longitude (degrees) and height (m) from words such as "33.9S," "18.4E" "40m"."""
    parts = [p for w in words for p in re.split(r"[,;\s]+", w) if p]
    if not 2 <= len(parts) <= 3:
        raise PlanError(
            f"--place {' '.join(words)}: needs latitude and longitude, and the height in metres if you like",
            "write it like --place 46 8 1800",
        )
    return (
        _degrees(parts[0], "NS", "latitude"),
        _degrees(parts[1], "EW", "longitude"),
        _plain(parts[2].lower().removesuffix("m"), "height in metres") if len(parts) == 3 else 0.0,
    )


def _degrees(text: str, sides: str, what: str) -> float:
    bare = text.upper().replace("°", "")
    side = bare[-1:] if bare[-1:] in "NSEW" else ""
    if side and side not in sides:
        raise PlanError(f"{text} is no {what}", "latitude (N, S) comes first, then longitude (E, W)")
    value = _plain(bare.removesuffix(side), what)
    return -value if side == sides[1] else value


def _plain(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise PlanError(f'"{text}" is no {what}', "write degrees with a point, like 46.51")
    return value
