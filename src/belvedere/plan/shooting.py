"""How the frames are taken and what the picture is for: all that is asked beside view, camera, lens, head."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import PRINT_PPI


@dataclass(frozen=True, slots=True)
class Shooting:
    """How the frames are taken, and how the print is looked at.

    Parameters
    ----------
    f_number : float
        > 0.
    focus_m : float or None
        Where the lens is focused, m; None: wherever serves the depth of field best.
    nearest_m : float or None
        Distance of the nearest thing that is to be sharp and without parallax, m.
    rail_error_mm : float
        How exactly the entrance pupil is set over the axis, mm, either way, >= 0.
    seconds_a_frame : float
        For one exposure, turning to it and waiting until the tripod is still, s, > 0.
    exposures : int
        At each stop, >= 1.
    ppi : float
        Pixels per inch of the print, > 0.
    viewing_distance_m : float
        From which the print is looked at, m, > 0.
    cloud_speed_m_s : float or None
        Of clouds, waves or boats, across the line of sight, m/s, >= 0; None: not asked.
    cloud_distance_m : float
        To them, m, > 0.

    Raises
    ------
    PlanError
        If a number is out of its range.
    """

    f_number: float = 8.0
    focus_m: float | None = None
    nearest_m: float | None = None
    rail_error_mm: float = 5.0
    seconds_a_frame: float = 8.0
    exposures: int = 1
    ppi: float = PRINT_PPI
    viewing_distance_m: float = 1.0
    cloud_speed_m_s: float | None = None
    cloud_distance_m: float = 3000.0

    def __post_init__(self) -> None:
        need_positive("the f-number", self.f_number)
        for what, metres in (
            ("focus distance", self.focus_m),
            ("distance of the nearest thing", self.nearest_m),
        ):
            if metres is not None:
                need_positive(f"the {what}", metres, "m", infinite=what == "focus distance")
        if not (math.isfinite(self.rail_error_mm) and self.rail_error_mm >= 0.0):
            raise PlanError(f"the rail error must be 0 mm or more, not {self.rail_error_mm:g} mm")
        need_positive("the time a frame takes", self.seconds_a_frame, "s")
        if not self.exposures >= 1:
            raise PlanError(f"each stop takes at least 1 exposure, not {self.exposures:g}")
        need_positive("the print's resolution", self.ppi, "pixels per inch")
        need_positive("the viewing distance", self.viewing_distance_m, "m")
        need_positive("the clouds' distance", self.cloud_distance_m, "m")
        speed = self.cloud_speed_m_s
        if speed is not None and not (math.isfinite(speed) and speed >= 0.0):
            raise PlanError(f"the clouds' speed must be 0 m/s or more, not {speed:g} m/s")
