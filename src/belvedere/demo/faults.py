"""What can go wrong in one frame of a set."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One frame's faults; all defaults together are none.

    Parameters
    ----------
    frame : int
        Which frame, by index in the order shot.
    motion_px, motion_deg : float
        Length of the blur of a camera that moved during the exposure, displayed px, and its angle from x
        towards y, degrees.
    defocus_px : float
        Diameter of the circle of confusion, px.
    focal_factor : float
        On the true focal length: refocusing changes it by a percent or so, zooming by more.
    focal_told : bool
        Whether Exif tells that change.
    yaw_deg, pitch_deg, roll_deg : float
        Turn against the planned pose; roll turns x towards y.
    exposure_ev : float
        Stops by another exposure time, told in Exif.
    untold_ev : float
        Stops that no tag tells.
    iso : int or None
        Another sensitivity, told in Exif; the frame gets brighter by it.
    f_number : float or None
        Another f-number, told in Exif; the frame gets darker by it.
    white_balance : tuple of 2 float
        Gain of red and of blue against the other frames.
    white_balance_auto, exposure_auto : bool or None
        What Exif tells of this frame; None: as of the set.
    subject_distance_m : float or None
        What Exif tells of this frame; None: as of the set.
    """

    frame: int = 0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    defocus_px: float = 0.0
    focal_factor: float = 1.0
    focal_told: bool = False
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    exposure_ev: float = 0.0
    untold_ev: float = 0.0
    iso: int | None = None
    f_number: float | None = None
    white_balance: tuple[float, float] = (1.0, 1.0)
    white_balance_auto: bool | None = None
    exposure_auto: bool | None = None
    subject_distance_m: float | None = None

    @property
    def is_blurred(self) -> bool:
        """Whether the picture is less sharp than the lens would draw it."""
        return self.motion_px > 0.0 or self.defocus_px > 0.0


BASE_ISO = 100
BASE_F_NUMBER = 8.0


def settings_ev(fault: Fault) -> float:
    """Stops by the frame's own sensitivity and f-number (APEX: Sv = log2(S / 3.125), Av = 2 log2 N)."""
    iso = BASE_ISO if fault.iso is None else fault.iso
    f_number = BASE_F_NUMBER if fault.f_number is None else fault.f_number
    return math.log2(iso / BASE_ISO) - 2.0 * math.log2(f_number / BASE_F_NUMBER)
