"""The cautions that stand on every plan: sun and eye, way back, edges, tides, weather, rules."""

from __future__ import annotations

from datetime import datetime, timedelta

from belvedere.plan.place import Place
from belvedere.plan.twilight import DayOfLight

SUN_AND_EYES = (
    "Never look at the sun through an optical finder or a long lens: it can blind at once and for good. "
    "Frame on the screen, or with a solar filter made for the purpose in front of the lens. "
    "The sun in the frame can also burn sensor and shutter: turn the camera to it only for the exposure."
)
SUN_NEARBY = "The sun stands in or near this view while you are there."
SUN_UNKNOWN = (
    "Where the sun will stand is not known to this plan (it needs place, time and the view's bearing)."
)
EDGES = "Set up where tripod and feet stand safe; step back from the edge before you look at the screen."
TIDES = "On a shore, look up the tide and the swell before you set up, and keep the way out in sight."
WEATHER = "Look up the weather for the way there and back; go down before lightning, wind or fog comes."
LOCAL_RULES = "Local rules come first: closed paths, protected ground, private land, permits for a tripod."
# The way back may lie in the dark if dusk ends this soon after the sweep: common practice, no source.
_WAY_BACK = timedelta(hours=2)


def cautions(
    *,
    sun_near: bool | None,
    place: Place | None = None,
    end: datetime | None = None,
    day: DayOfLight | None = None,
) -> tuple[str, ...]:
    """Give the sentences of caution for a plan, the sun first where it can stand in the picture.

    Parameters
    ----------
    sun_near : bool or None
        Whether the sun stands in or near the view (`belvedere.plan.sun_and_field.is_sun_near`); None where
        it is not known: then the warning stands all the same.
    place, end, day : optional
        Where, when the sweep ends (aware), and the light of the day it starts on: they tell
        whether the way back lies in the dark.

    Returns
    -------
    sentences : tuple of str
        Whole sentences, in the order they should be read.
    """
    said = []
    if sun_near is None:
        said.append(f"{SUN_UNKNOWN} {SUN_AND_EYES}")
    elif sun_near:
        said.append(f"{SUN_NEARBY} {SUN_AND_EYES}")
    said.append(_way_back(place, end, day))
    said.extend((EDGES, TIDES, WEATHER, LOCAL_RULES))
    return tuple(said)


def _way_back(place: Place | None, end: datetime | None, day: DayOfLight | None) -> str:
    """Say whether it will be dark on the way back, by the end of civil twilight."""
    lamp = "Take a headlamp with full batteries, and walk the way back once by day."
    if place is None or end is None or day is None:
        return f"Know when it gets dark. {lamp}"
    dusk, dawn = day.civil.evening, day.civil.morning
    if day.civil.is_missed:
        dark = day.noon_elevation < day.civil.elevation
        return f"It is dark all day. {lamp}" if dark else "It does not get dark on this day."
    if dawn is not None and end < dawn:
        return f"It is dark until {place.local(dawn):%H:%M} (civil twilight). {lamp}"
    if dusk is not None and end >= dusk:
        return (
            f"It is dark by {place.local(dusk):%H:%M} (end of civil twilight), before the sweep ends. {lamp}"
        )
    if dusk is not None and end + _WAY_BACK >= dusk:
        return (
            f"It gets dark at {place.local(dusk):%H:%M} (end of civil twilight), soon after the sweep. {lamp}"
        )
    until = f" at {place.local(dusk):%H:%M} (end of civil twilight)" if dusk is not None else ""
    return f"It gets dark{until}. Carry a headlamp in case the way back takes longer."
