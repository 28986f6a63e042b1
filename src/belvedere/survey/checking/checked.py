"""What every examiner of a set is given."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.align.alignment import Alignment
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.tone.tone import Tone


@dataclass(frozen=True, slots=True)
class Checked:
    """A set with what was measured of it.

    Parameters
    ----------
    frames : tuple of Frame
        In the order shot; findings name them by their index here.
    source : FrameSource
        Their pixels.
    alignment : Alignment
        Where they looked.
    tone : Tone or None
        How bright they are; None where it could not be measured.
    """

    frames: tuple[Frame, ...]
    source: FrameSource
    alignment: Alignment
    tone: Tone | None
