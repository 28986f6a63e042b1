"""How frames, angles and shares are called in sentences for the person at the tripod."""

from __future__ import annotations

import math
from collections.abc import Sequence

from belvedere.capture.frame import Frame

_NAMED = 4  # frames named one by one at most


def frame_words(frames: Sequence[Frame], i: int) -> str:
    """A frame by its number in the set, counted from 1, and its file."""
    return f"frame {i + 1} ({frames[i].name})"


def pair_words(frames: Sequence[Frame], a: int, b: int) -> str:
    """Two frames by their numbers and files."""
    return f"frames {a + 1} and {b + 1} ({frames[a].name}, {frames[b].name})"


def listed(frames: Sequence[Frame], which: Sequence[int]) -> str:
    """Several frames, the rest counted."""
    names = [frames[i].name for i in which[:_NAMED]]
    if len(which) == 1:
        return frame_words(frames, which[0])
    numbers = ", ".join(str(i + 1) for i in which[:_NAMED])
    more = f" and {len(which) - _NAMED} more" if len(which) > _NAMED else ""
    return f"frames {numbers}{more} ({', '.join(names)}{' ...' if more else ''})"


def percent(share: float) -> str:
    """A share of 1 in whole percent."""
    return f"{100.0 * share:.0f} %"


def degrees(angle_rad: float) -> str:
    """An angle without its sign, in degrees."""
    return f"{abs(math.degrees(angle_rad)):.1f} degrees"


def turn_words(yaw_rad: float, pitch_rad: float, least_pitch_rad: float = math.radians(1.0)) -> str:
    """Where to turn from a frame: right or left, and up or down where that is worth saying."""
    parts = []
    if abs(yaw_rad) >= math.radians(0.05):
        parts.append(f"{degrees(yaw_rad)} {'right' if yaw_rad > 0.0 else 'left'}")
    if abs(pitch_rad) >= least_pitch_rad or not parts:
        parts.append(f"{degrees(pitch_rad)} {'up' if pitch_rad > 0.0 else 'down'}")
    return " and ".join(parts)
