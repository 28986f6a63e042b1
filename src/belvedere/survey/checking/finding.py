"""What a check of a set finds: one thing worth saying, how grave it is, and which frames it concerns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Grave = Literal["reshoot", "risk", "note"]
Kind = Literal[
    "overlap",
    "missing",
    "ends",
    "tilt",
    "roll",
    "level",
    "settings",
    "exposure",
    "sharpness",
    "focus",
    "clipping",
    "featureless",
    "parallax",
    "moving",
    "unreadable",
    "stray",
    "plan",
]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found.

    Parameters
    ----------
    kind : str
        What it is about.
    grave : "reshoot", "risk" or "note"
        Whether frames must be shot again, the picture may show it, or it is only good to know.
    frames : tuple of int
        The frames it concerns, by index in the set.
    words : str
        One sentence for the person at the tripod: what is wrong, where, and what to do.
    numbers : dict of str to float
        The figures behind it, units in the names (overlap_fraction, wanted_fraction, turn_deg, blur_px ...).
    """

    kind: Kind
    grave: Grave
    frames: tuple[int, ...]
    words: str
    numbers: dict[str, float] = field(default_factory=dict)
