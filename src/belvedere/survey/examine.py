"""All that a set is examined for."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from belvedere.align.start import Mapper
from belvedere.survey.check_ends import examine_ends
from belvedere.survey.check_exposure import examine_exposure
from belvedere.survey.check_overlap import WANTED_OVERLAP, examine_overlap
from belvedere.survey.check_settings import examine_settings
from belvedere.survey.check_tilt import examine_tilt
from belvedere.survey.checked import Checked
from belvedere.survey.finding import Finding

Examiner = Callable[[Checked], tuple[Finding, ...]]

EXAMINERS: tuple[Examiner, ...] = (
    examine_ends,
    examine_tilt,
    examine_settings,
    examine_exposure,
)
"""Those without options of their own; `examine_overlap` comes before them."""


def examine(
    checked: Checked, *, wanted_overlap: float = WANTED_OVERLAP, run: Mapper = map
) -> tuple[Finding, ...]:
    """Examine a set for everything.

    Parameters
    ----------
    checked : Checked
    wanted_overlap : float
        The overlap that was planned, as a share of a frame.
    run : Mapper
        Applies the examiners; what they find does not depend on it.

    Returns
    -------
    tuple of Finding
        By examiner, in the order of the list.
    """
    examiners: tuple[Examiner, ...] = (partial(examine_overlap, wanted=wanted_overlap), *EXAMINERS)
    return tuple(f for found in run(lambda examiner: examiner(checked), examiners) for f in found)
