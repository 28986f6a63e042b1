"""What the stages usually take, of which only the ratios matter: the run's own speed does the rest."""

from __future__ import annotations

from dataclasses import dataclass

# Seconds on one thread of the machine they were measured on (2 vCPUs, 2026), demo set `row` at 24 megapixels.
_DECODE_PER_MP = 0.022
_ALIGN_PER_FRAME = 1.6
_ALIGN_PER_MP = 0.03
_TONE_PER_FRAME = 0.12
_SEAMS_PER_MP = 0.012
_PICTURE_PER_MP = 0.13
_PREVIEW_PER_FRAME = 0.1
_NEW_PER_FRAME = 0.65  # of a frame's pixels, about a third lies under its neighbours


@dataclass(frozen=True, slots=True)
class Size:
    """Frames of a set and million pixels of all of them together."""

    frames: int
    megapixels: float


def expected_seconds(size: Size, *, preview: bool) -> dict[str, float]:
    """Seconds by stage, in order."""
    plate = _NEW_PER_FRAME * size.megapixels
    return {
        "frames": _DECODE_PER_MP * size.megapixels,
        "alignment": _ALIGN_PER_FRAME * size.frames + _ALIGN_PER_MP * size.megapixels,
        "tone": _TONE_PER_FRAME * size.frames,
        "seams": _SEAMS_PER_MP * plate,
        "picture": _PREVIEW_PER_FRAME * size.frames if preview else _PICTURE_PER_MP * plate,
    }
