"""A plan with all that is said of it: what the words in the terminal and the page for the field share."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.plan.figures import Figures
from belvedere.plan.light import PlanLight
from belvedere.plan.number_words import Units
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.shooting import Shooting


@dataclass(frozen=True, slots=True)
class ToldPlan:
    """A plan and what follows from it.

    Parameters
    ----------
    plan : ShootPlan
    figures : Figures
        `figures_of` it.
    shooting : Shooting
    camera : str
        Name of the camera or its sensor.
    cautions : tuple of str
        Whole sentences, the most urgent first.
    light : PlanLight or None
        Where place and time are known.
    day : tuple of str
        Whole sentences on the light of the day, where only the day is known.
    assumed : tuple of str
        What was taken for want of being said: half sentences.
    units : "metric" or "imperial"
        Of print sizes.
    """

    plan: ShootPlan
    figures: Figures
    shooting: Shooting
    camera: str
    cautions: tuple[str, ...]
    light: PlanLight | None = None
    day: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    units: Units = "metric"
