"""The tripod head's detents: the clicks it stops at."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.errors import PlanError

_EXACT = 1e-9  # of a click: 3 clicks of 15 degrees are 45 degrees, not 44.999...


@dataclass(frozen=True, slots=True)
class Head:
    """A head that stops at clicks, or turns freely.

    Parameters
    ----------
    yaw_click, pitch_click : float or None
        Angle from click to click in rad, > 0 and at most pi; None: it stops anywhere.

    Raises
    ------
    PlanError
        If a click is none of these.
    """

    yaw_click: float | None = None
    pitch_click: float | None = None

    def __post_init__(self) -> None:
        for what, click in (("turning", self.yaw_click), ("tilting", self.pitch_click)):
            if click is not None and not 0.0 < click <= math.pi:
                raise PlanError(
                    f"a click of {math.degrees(click):g} degrees for {what} cannot be",
                    "give more than 0 and at most 180 degrees, or none for a head that stops anywhere",
                )


def clicks_within(angle: float, click: float) -> int:
    """Most whole clicks that do not go beyond an angle (rad): the angle rounded down to the detents."""
    return math.floor(angle / click + _EXACT)


def clicks_to(angle: float, click: float) -> int:
    """Fewest whole clicks that reach an angle (rad): the angle rounded up to the detents."""
    return math.ceil(angle / click - _EXACT)
