"""What a person may say about the alignment, parsed once at the edge."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.optics.lens_fit import RadialFit
from belvedere.optics.lens_list import Shown
from belvedere.plan.shoot_plan import ShootPlan


@dataclass(frozen=True, slots=True)
class HandTies:
    """Tie points the photographer set by hand between two frames.

    Parameters
    ----------
    a, b : str
        The frames' names.
    points : tuple of (ua, va, ub, vb)
        Two or more details: px of frame a and of frame b, as displayed.
    """

    a: str
    b: str
    points: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True)
class AlignOptions:
    """Options of the alignment. Frames are called by the names that `estimate_alignment` is given.

    Parameters
    ----------
    feature_pixels : int
        Size of the reduced copy in which features are detected, px.
    features_per_frame : int
        Most features kept of a frame, spread over it.
    ties_per_pair : int
        Most tie points measured again at full resolution for a pair.
    focal_35mm : float or None
        The photographer's word on the focal length, as 35-mm equivalent, mm; stands above the tags.
    leave_out : tuple of str
        Frames the photographer wants left out.
    keep : tuple of str
        Frames that are not to be dropped because their pixels contradict the block.
    tie_points : tuple of HandTies
        Set by hand: they link their frames whatever else is found.
    horizon_points : tuple of (name, u, v)
        The photographer's word on the level: points of the horizon, px of frames as displayed.
    plumb_lines : tuple of (name, u0, v0, u1, v1)
        The same: ends of lines that are plumb in the world, px of frames as displayed.
    plan : ShootPlan or None
        The plan the frames were shot by; where they stand at its stops, it places frames without detail.
    lens_starts : tuple of (Shown, RadialFit)
        Where the distortion of lenses may start from: a weak belief, which tie points overrule.
    """

    feature_pixels: int = 1_000_000
    features_per_frame: int = 2500
    ties_per_pair: int = 250
    focal_35mm: float | None = None
    leave_out: tuple[str, ...] = ()
    keep: tuple[str, ...] = ()
    tie_points: tuple[HandTies, ...] = ()
    horizon_points: tuple[tuple[str, float, float], ...] = ()
    plumb_lines: tuple[tuple[str, float, float, float, float], ...] = ()
    plan: ShootPlan | None = None
    lens_starts: tuple[tuple[Shown, RadialFit], ...] = ()
