"""Small rendered sets as a check sees them: pixels, with true cameras, gains and tags."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.render import render_frames
from belvedere.demo.sets import set_spec
from belvedere.survey.checking.checked import Checked
from belvedere.tone.tone import Response, Tone
from checked_sets import checked_set
from tone_sets import srgb_table

MEGAPIXELS = 0.4  # as checked_set has it


@lru_cache(maxsize=4)
def _pixels(name: str, changes: tuple[tuple[str, Any], ...]) -> FramesInMemory:
    return FramesInMemory(render_frames(set_spec(name, megapixels=MEGAPIXELS, **dict(changes))))


def pixel_set(name: str, **changes: Any) -> Checked:
    """One of the demo's sets with its pixels; what alignment and tone would measure is the truth."""
    known = checked_set(name, **changes)
    assert known.tone is not None
    tone = Tone(known.tone.frames, (Response("color-space", srgb_table()),), ())
    return Checked(known.frames, _pixels(name, tuple(sorted(changes.items()))), known.alignment, tone)
