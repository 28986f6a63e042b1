"""How far a cloud, a wave or a boat moves between two frames that overlap."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.errors import PlanError


@dataclass(frozen=True, slots=True)
class Motion:
    """What moves, between two frames taken some seconds apart.

    Parameters
    ----------
    rate : float
        Angular rate when it crosses the line of sight, radians/second.
    seconds : float
        Between the two frames.
    angle : float
        By which it has moved, radians.
    shift_px : float
        The same in the picture, pixels near the frame's centre.
    share_of_overlap : float
        `shift_px` over the width or height of the overlap; above 1 it may be in one frame only.
    """

    rate: float
    seconds: float
    angle: float
    shift_px: float
    share_of_overlap: float


def motion_between(
    speed_m_s: float, distance_m: float, seconds: float, *, focal_px: float, overlap_px: float
) -> Motion:
    """Compute the shift of something that crosses the line of sight at right angles: the worst case.

    Along the frame's plane, shift = focal length x speed x time / distance, exactly (a rectilinear lens).

    Parameters
    ----------
    speed_m_s : float
        Metres/second, >= 0 (a wind of 36 km/h is 10).
    distance_m : float
        Metres, > 0: to the thing, not along the ground below it.
    seconds : float
        Between the frames, >= 0.
    focal_px, overlap_px : float
        Focal length; size of the overlap across the direction of the seam; pixels, > 0.

    Raises
    ------
    PlanError
        If a number lies outside its range.
    """
    for value, of in ((distance_m, "distance"), (focal_px, "focal length"), (overlap_px, "overlap")):
        if not (math.isfinite(value) and value > 0.0):
            raise PlanError(f"the {of} must be more than 0, got {value:g}")
    for value, of in ((speed_m_s, "speed"), (seconds, "time between the frames")):
        if not (math.isfinite(value) and value >= 0.0):
            raise PlanError(f"the {of} must be 0 or more, got {value:g}")
    way = speed_m_s * seconds / distance_m
    return Motion(
        rate=speed_m_s / distance_m,
        seconds=seconds,
        angle=math.atan(way),
        shift_px=focal_px * way,
        share_of_overlap=focal_px * way / overlap_px,
    )


def motion_words(what: str, beside: Motion, rows: Motion | None = None) -> str:
    """Say in one or two sentences how far something moves between neighbours, and between rows.

    Parameters
    ----------
    what : str
        Such as "A cloud at 10 m/s, 5 km away".
    beside, rows : Motion
        Between neighbours of a row; between a frame and the one above or below (None: one row only).
    """
    text = f"{what} moves {_pixels(beside)} between neighbouring frames"
    if rows is not None:
        text += f" and {_pixels(rows)} between rows"
    worst = max(beside.share_of_overlap, 0.0 if rows is None else rows.share_of_overlap)
    if worst > 1.0:
        return text + ". That is more than the overlap: it can be in the picture twice, or not at all."
    if worst > 0.25:
        return text + ". Keep the pace; a seam must find its way round what has moved."
    return text + "."


def _pixels(motion: Motion) -> str:
    share = motion.share_of_overlap
    part = "under 1 %" if share < 0.01 else f"{share * 100:.0f} %" if share < 10.0 else f"{share:,.0f} times"
    of = "the overlap" if share >= 10.0 else "of the overlap"
    return f"{motion.shift_px:,.0f} px ({part} {of}, {motion.seconds:,.0f} s apart)"
