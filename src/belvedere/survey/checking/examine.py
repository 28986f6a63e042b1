"""All that a set is examined for."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.align.start import Mapper
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.survey.checking.check_ends import examine_ends
from belvedere.survey.checking.check_exposure import examine_exposure
from belvedere.survey.checking.check_markers import tell_markers
from belvedere.survey.checking.check_overlap import WANTED_OVERLAP, examine_overlap
from belvedere.survey.checking.check_pixels import examine_pixels
from belvedere.survey.checking.check_plan import against_plan
from belvedere.survey.checking.check_settings import examine_settings
from belvedere.survey.checking.check_tilt import examine_tilt
from belvedere.survey.checking.check_unmatched import examine_unmatched
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding


@dataclass(frozen=True, slots=True)
class ExamineOptions:
    """What a set is examined against.

    Parameters
    ----------
    wanted_overlap : float
        The overlap that was planned, as a share of a frame.
    nearest_ground_m : float or None
        Distance from the lens to the nearest ground that any frame shows, m; None: as from a usual tripod.
    plan : ShootPlan or None
        By which the set was shot.
    """

    wanted_overlap: float = WANTED_OVERLAP
    nearest_ground_m: float | None = None
    plan: ShootPlan | None = None


def examine(
    checked: Checked, options: ExamineOptions | None = None, run: Mapper = map
) -> tuple[Finding, ...]:
    """Examine a set for everything.

    Parameters
    ----------
    checked : Checked
    options : ExamineOptions or None
        None: as they are if nobody says otherwise.
    run : Mapper
        Applies a pure function to jobs in order; what is found does not depend on it.

    Returns
    -------
    tuple of Finding
        By examiner, always in the same order.
    """
    options = options or ExamineOptions()
    found = (
        *examine_overlap(checked, wanted=options.wanted_overlap),
        *examine_unmatched(checked),
        *examine_ends(checked),
        *examine_tilt(checked),
        *examine_settings(checked),
        *examine_exposure(checked),
        *examine_pixels(checked, nearest_ground_m=options.nearest_ground_m, run=run),
    )
    if options.plan is not None:
        found = against_plan(checked, found, options.plan)
    return tell_markers(checked, found)
