"""What a person may say about the alignment, parsed once at the edge."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class AlignOptions:
    """Options of the alignment.

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
        File names the photographer wants left out.
    horizon_points : tuple of (file name, u, v)
        The photographer's word on the level: two or more points of the horizon, px of frames as displayed.
    """

    feature_pixels: int = 1_000_000
    features_per_frame: int = 2500
    ties_per_pair: int = 250
    focal_35mm: float | None = None
    leave_out: tuple[str, ...] = ()
    horizon_points: tuple[tuple[str, float, float], ...] = ()
