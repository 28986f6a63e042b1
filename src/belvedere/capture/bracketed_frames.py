"""Frames of a folder that are stepped exposures of one pose, found by their tags and a look at each."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.glance import embedded_look, reduced_look
from belvedere.errors import UnreadableFile

_LOOK_PX = 320
_SMOOTH_PX = 6.0  # sigma of what is taken off: brightness that two views of one landscape share
_EVEN = 3.0  # codes of standard deviation of what is left: nothing to see
_ALIKE = 0.25  # correlation from which two looks show one pose; the demo's: 0.33 at least, other poses 0.05
_STEP_EV = 0.25  # least difference between two exposures of a pose
_SAME_EV = 0.2  # width of a level: cameras step by thirds
_MOST = 9  # exposures of a pose


def with_poses(frames: Sequence[Frame], poses: Sequence[Sequence[int]]) -> tuple[Frame, ...]:
    """Frames in which those of each pose have become one, in the place of its first.

    Parameters
    ----------
    frames : sequence of Frame
        Of one exposure each.
    poses : sequence of sequence of int
        Numbers of frames that are one pose, the first gives the name; frames in none stay alone.
    """
    own = {k: pose for pose in poses for k in pose}
    out = []
    for k, frame in enumerate(frames):
        pose = own.get(k)
        if pose is None:
            out.append(frame)
        elif k == pose[0]:
            mask = next((frames[i].mask for i in pose if frames[i].mask is not None), None)
            out.append(Frame(tuple(e for i in pose for e in frames[i].exposures), mask))
    return tuple(out)


def find_poses(frames: Sequence[Frame]) -> list[tuple[int, ...]]:
    """Poses shot with stepped exposures, among frames in the order shot.

    Tags must show exposures that step back and forth; only then are the frames looked at, by the small
    pictures in their files. Neighbours that show the same with other exposures are one pose where at least
    two poses have the same exposures; a pose that lacks some of these is one too.

    Returns
    -------
    list of tuple of int
        Poses of two frames or more; empty where there are none.
    """
    told = [frame.metadata.exposure_ev for frame in frames]
    if not _steps(told):
        return []
    looks = [_look(frame.exposures[0]) for frame in frames]
    groups: list[list[int]] = [[0]]
    for k in range(1, len(frames)):
        same = _correlation(looks[k - 1], looks[k])
        if (same is None or same >= _ALIKE) and _is_new(told, groups[-1], k):
            groups[-1].append(k)
        else:
            groups.append([k])
    patterns = Counter(frozenset(_levels(told, group)) for group in groups if len(group) > 1)
    if not patterns:
        return []
    usual = max(patterns, key=lambda p: (patterns[p], len(p), sorted(p)))
    if patterns[usual] < 2:
        return []
    return [tuple(g) for g in groups if len(g) > 1 and frozenset(_levels(told, g)) <= usual]


def _steps(told: Sequence[float | None]) -> bool:
    """Whether exposures may be brackets by the tags alone: a few levels, met again and again, in turns."""
    known = [ev for ev in told if ev is not None]
    if len(known) < len(told) or len(known) < 4:
        return False
    levels = Counter(_level(ev) for ev in known)
    changes = sum(abs(a - b) >= _STEP_EV for a, b in itertools.pairwise(known))
    return sum(n > 1 for n in levels.values()) > 1 and 2 * changes >= len(known) - 1


def _is_new(told: Sequence[float | None], group: Sequence[int], k: int) -> bool:
    """Whether a frame's exposure is none of a group's."""
    return len(group) < _MOST and all(abs((told[k] or 0.0) - (told[i] or 0.0)) >= _STEP_EV for i in group)


def _levels(told: Sequence[float | None], group: Sequence[int]) -> list[int]:
    return [_level(told[k] or 0.0) for k in group]


def _level(ev: float) -> int:
    """A number for exposures that are the same up to the rounding of tags."""
    return round(ev / _SAME_EV)


def _look(exposure: Exposure) -> NDArray[np.float32] | None:
    """A small picture's detail, whatever its exposure: what its ranks of brightness leave of their means."""
    glance = embedded_look(exposure)
    if glance is None:
        try:
            glance = reduced_look(exposure, long_side=_LOOK_PX)
        except UnreadableFile:
            return None
    height, width = glance.image.shape[:2]
    share = min(1.0, _LOOK_PX / max(height, width))
    size = max(1, round(width * share)), max(1, round(height * share))
    small = cv2.resize(cv2.cvtColor(glance.image, cv2.COLOR_RGB2GRAY), size, interpolation=cv2.INTER_AREA)
    even = cv2.equalizeHist(small).astype(np.float32)
    return np.asarray(even - cv2.GaussianBlur(even, (0, 0), _SMOOTH_PX), np.float32)


def _correlation(a: NDArray[np.float32] | None, b: NDArray[np.float32] | None) -> float | None:
    """Correlation of two looks; None where they cannot be compared."""
    if a is None or b is None or a.shape != b.shape:
        return None
    spread = float(a.std()), float(b.std())
    if min(spread) < _EVEN:
        return None
    return float(np.mean((a - a.mean()) * (b - b.mean()), dtype=np.float64)) / (spread[0] * spread[1])
