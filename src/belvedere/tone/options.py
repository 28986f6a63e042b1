"""What a person may say about the tone, parsed once at the edge."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.optics.lens_fit import FallFit
from belvedere.optics.lens_list import Shown


@dataclass(frozen=True, slots=True)
class ToneOptions:
    """Options of the tone.

    Parameters
    ----------
    directions_per_frame : int
        About so many directions are looked up in every frame (fewer beyond `most_directions` in all).
    most_directions : int
        Bound on the directions looked up in all frames together.
    level_pixels : int
        Size of the reduced copy the light is read from, px.
    estimate_response : bool
        Whether a body's unknown contrast curve may be estimated where the overlaps show one.
    lens_starts : tuple of (Shown, FallFit)
        Where the vignetting of lenses may start from: a weak belief, which the overlaps overrule.
    """

    directions_per_frame: int = 6000
    most_directions: int = 300_000
    level_pixels: int = 350_000
    estimate_response: bool = True
    lens_starts: tuple[tuple[Shown, FallFit], ...] = ()
