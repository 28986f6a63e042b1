"""The one check nearly every optical quantity needs: a finite number above nought, said in plain words."""

from __future__ import annotations

import math

from belvedere.errors import PlanError


def need_positive(what: str, value: float, unit: str = "", *, infinite: bool = False) -> float:
    """Give `value` back if it is a number above 0, finite unless `infinite` is allowed.

    Parameters
    ----------
    what : str
        The quantity as the sentence's subject: "the focal length".
    value : float
        What was given.
    unit : str
        Its unit as a person reads it, such as "mm"; empty for a pure number.
    infinite : bool
        Whether infinity makes sense here, as it does for a distance.

    Raises
    ------
    PlanError
        "the focal length must be a number above 0 mm, not -50 mm".
    """
    if value > 0.0 and (math.isfinite(value) or (infinite and not math.isnan(value))):
        return value
    shown = f" {unit}" if unit else ""
    raise PlanError(f"{what} must be a number above 0{shown}, not {value:g}{shown}")
