"""What the stages usually take, for the remaining time; only ratios matter, speed is measured."""

from __future__ import annotations

from dataclasses import dataclass

# Seconds on the two processors of the machine they were measured on, demo set `row` at 24 megapixels.
_DECODE_PER_MP = 0.014
_ALIGN_PER_FRAME = 0.35
_ALIGN_PER_MP = 0.003
_TONE_PER_FRAME = 0.02
_SEAMS_PER_MP = 0.004
_PICTURE_PER_MP = 0.14
_PREVIEW_PER_FRAME = 0.13
_NEW_PER_FRAME = (
    0.9  # plate px per px of a frame: what overlaps is made up for by what the projection stretches
)


@dataclass(frozen=True, slots=True)
class Size:
    """Frames of a set, million px of all of them together, and of the plate where it is known."""

    frames: int
    megapixels: float
    plate_megapixels: float | None = None


def expected_seconds(size: Size, *, preview: bool) -> dict[str, float]:
    """Seconds by stage, in order."""
    plate = size.plate_megapixels
    if plate is None:
        plate = _NEW_PER_FRAME * size.megapixels
    return {
        "frames": _DECODE_PER_MP * size.megapixels,
        "alignment": _ALIGN_PER_FRAME * size.frames + _ALIGN_PER_MP * size.megapixels,
        "tone": _TONE_PER_FRAME * size.frames,
        "seams": _SEAMS_PER_MP * plate,
        "picture": _PREVIEW_PER_FRAME * size.frames if preview else _PICTURE_PER_MP * plate,
    }
