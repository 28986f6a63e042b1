"""All that a set's pixels are examined for, measured once and shared."""

from __future__ import annotations

from belvedere.align.start import Mapper
from belvedere.survey.checking.check_clipping import examine_clipping
from belvedere.survey.checking.check_featureless import examine_featureless
from belvedere.survey.checking.check_focus import examine_focus
from belvedere.survey.checking.check_moving import examine_moving
from belvedere.survey.checking.check_parallax import examine_parallax
from belvedere.survey.checking.check_sharpness import examine_sharpness
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.overlap_field import measure_fields
from belvedere.survey.checking.sharpness_fit import measure_sharpness
from belvedere.survey.checking.turn_fit import fit_checked


def examine_pixels(
    checked: Checked, *, nearest_ground_m: float | None = None, run: Mapper = map
) -> tuple[Finding, ...]:
    """Examine sharpness, focus, parallax, clipping, plain frames and things that moved.

    Parameters
    ----------
    checked : Checked
        The set.
    nearest_ground_m : float or None
        Distance from the lens to the nearest ground that any frame shows, m; None: a camera 1.5 m above it.
    run : Mapper
        Applies a pure function to jobs in order; what is found does not depend on it.

    Returns
    -------
    tuple of Finding
        What asks for another exposure first.
    """
    fields = measure_fields(checked, run)
    fit = fit_checked(checked, fields)
    sharpness = measure_sharpness(checked, fields, run)
    focus: tuple[Finding, ...] = ()
    if fit is not None:
        focus = examine_focus(checked, fields, fit, sharpness)
    refocused = {i for finding in focus if finding.numbers.get("soft") for i in finding.frames}
    unsharp: tuple[Finding, ...] = ()
    if sharpness is not None:
        unsharp = examine_sharpness(checked, sharpness, told_elsewhere=refocused)
    parallax: tuple[Finding, ...] = ()
    if fit is not None:
        parallax = examine_parallax(checked, fields, fit, nearest_ground_m=nearest_ground_m)
    return (
        *unsharp,
        *focus,
        *examine_featureless(checked, run=run),
        *parallax,
        *examine_moving(checked, fields, fit, run=run),
        *examine_clipping(checked, run=run),
    )
