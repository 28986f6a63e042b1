"""The light over a sweep, gathered: sun, moon, twilight, sky, and what to beware of."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from belvedere.plan.cautions import cautions
from belvedere.plan.moon import MoonAt, MoonDay, moon_at, moon_day
from belvedere.plan.place import Place
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.sky_polarisation import SkyPolarisation, polarisation_over_view
from belvedere.plan.sun import SunAt, sun_track
from belvedere.plan.sun_and_field import SunOverSweep, sun_over_sweep
from belvedere.plan.sweep import Sweep
from belvedere.plan.twilight import DayOfLight, day_of_light


@dataclass(frozen=True, slots=True)
class PlanLight:
    """What the sky does while a plan is carried out.

    Parameters
    ----------
    place : Place
    start, end : datetime
        First frame and end of the sweep, on the clock of the place.
    track : tuple of SunAt
        The sun from start to end.
    day : DayOfLight
        Of the day the sweep starts on.
    moon : MoonAt
        At the start.
    moon_day : MoonDay
    over : SunOverSweep or None
        The sun against view and frames; None where the view is not tied to the compass.
    sky : SkyPolarisation or None
        For the sun at the start; None while it is down, without sky in the view, or without the compass.
    cautions : tuple of str
        Whole sentences, the most urgent first.
    """

    place: Place
    start: datetime
    end: datetime
    track: tuple[SunAt, ...]
    day: DayOfLight
    moon: MoonAt
    moon_day: MoonDay
    over: SunOverSweep | None
    sky: SkyPolarisation | None
    cautions: tuple[str, ...]


def light_of_plan(plan: ShootPlan, sweep: Sweep, place: Place, start: datetime) -> PlanLight:
    """Compute the light over a plan.

    Parameters
    ----------
    sweep : Sweep
        Planned for `plan.stops()`.
    start : datetime
        When the first frame is taken; aware.

    Raises
    ------
    PlanError
        If the moment has no clock or lies outside 1900 .. 2100.
    """
    here = place.local(start)
    end = place.local(here.astimezone(UTC) + timedelta(seconds=sweep.duration_s))
    day = day_of_light(place, here)
    over = sky = None
    if plan.view.bearing_of_zero is not None:
        half = (plan.frame_px[0] / (2 * plan.focal_px), plan.frame_px[1] / (2 * plan.focal_px))
        over = sun_over_sweep(plan.view, plan.stops(), half, place, here, sweep)
        if over.start.is_up:
            sky = polarisation_over_view(plan.view, over.start.yaw, over.start.sun.elevation)
    near = None if over is None else over.near_while_there
    return PlanLight(
        place=place,
        start=here,
        end=end,
        track=sun_track(place, here, sweep.duration_s, max(60.0, sweep.duration_s / 2000.0)),
        day=day,
        moon=moon_at(place, here),
        moon_day=moon_day(place, here),
        over=over,
        sky=sky,
        cautions=cautions(sun_near=near, place=place, end=end, day=day),
    )
