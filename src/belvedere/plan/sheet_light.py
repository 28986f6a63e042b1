"""Times and light on the field sheet: short lines, the most needed first."""

from __future__ import annotations

from belvedere.plan.day_words import day_words, moon_day_words
from belvedere.plan.falling_light import falling_light_words
from belvedere.plan.light import PlanLight
from belvedere.plan.plan_words import moving_words
from belvedere.plan.sky_polarisation import polariser_words
from belvedere.plan.sun import TRUE_BEARINGS
from belvedere.plan.sun_words import sun_words, where_words
from belvedere.plan.sweep import duration_words
from belvedere.plan.told_plan import ToldPlan


def light_lines(told: ToldPlan) -> tuple[str, ...]:
    """Sentences for the page."""
    figures, shooting = told.figures, told.shooting
    pace = f"{shooting.seconds_a_frame:g} s a frame"
    if shooting.exposures > 1:
        pace += f", {shooting.exposures} at each stop"
    lines = [f"{duration_words(figures.sweep.duration_s)} to shoot, at {pace}."]
    moving = moving_words(figures, shooting)
    if moving is not None:
        lines.append(moving)
    if told.light is not None:
        lines += _at_the_time(told.light)
    elif told.day:
        lines += told.day
    else:
        lines.append("First frame at ____________   last at ____________")
    if told.plan.view.bearing_of_zero is not None:
        lines.append(TRUE_BEARINGS)
    return tuple(lines)


def sun_at_start(told: ToldPlan) -> tuple[float, float] | None:
    """Yaw and pitch (rad) of the sun when the first frame is taken; None while it is down or not known."""
    over = None if told.light is None else told.light.over
    if over is None or not over.start.is_up:
        return None
    return over.start.yaw, over.start.sun.elevation


def _at_the_time(light: PlanLight) -> list[str]:
    begin, end = light.track[0], light.track[-1]
    zone = f"{light.start:%Z}" or light.place.zone
    lines = [
        f"{light.start:%Y-%m-%d}: first frame {light.start:%H:%M}, done {light.end:%H:%M} ({zone}).",
        f"Sun at the start {where_words(begin)}; at the end {where_words(end)}.",
    ]
    if light.over is not None:
        lines += sun_words(light.over, light.place)[2:]
    falling = falling_light_words(light.track)
    if falling is not None:
        lines.append(falling)
    polariser = None if light.sky is None else polariser_words(light.sky)
    if polariser is not None:
        lines.append(polariser)
    lines += day_words(light.day, light.place)
    lines.append(moon_day_words(light.moon_day, light.place))
    return lines
