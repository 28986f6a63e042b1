"""Frames of a folder that are stepped exposures of one pose, found by their tags and a look at each."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.glance import embedded_look, reduced_look
from belvedere.capture.stepped_exposures import Pair, find_brackets, repeats_steps
from belvedere.errors import UnreadableFile

_LOOK_PX = 320
_SMOOTH_PX = 6.0  # sigma of what is taken off: brightness that two views of one landscape share
_EVEN = 3.0  # codes of standard deviation of what is left: nothing to see
_ALIKE = 0.25  # correlation from which two looks show one pose; the demo's: 0.33 at least, other poses 0.05
_STEP_EV = 0.25


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

    Tags must show exposures that repeat (`stepped_exposures`); only then are the frames looked at, by the
    small pictures in their files, and those of a pose must show the same. A pose that lacks an exposure is
    found among what is left over.

    Returns
    -------
    list of tuple of int
        Poses of two frames or more; empty where the tags show nothing of the kind.
    """
    told = [frame.metadata.exposure_ev for frame in frames]
    if not repeats_steps(told):
        return []
    taken = [frame.metadata.taken for frame in frames]
    start = next((t for t in taken if t is not None), None)
    seconds = [None if t is None or start is None else (t - start).total_seconds() for t in taken]
    looks = [_look(frame.exposures[0]) for frame in frames]
    alike: dict[Pair, float] = {}
    for a, b in itertools.pairwise(range(len(frames))):
        same = _correlation(looks[a], looks[b])
        if same is not None:
            alike[a, b] = 1.0 if same >= _ALIKE else 0.0
    order = range(len(frames))
    poses = find_brackets(order, dict(enumerate(told)), dict(enumerate(seconds)), alike)
    if not poses:
        return []
    inside = {k for pose in poses for k in pose}
    return sorted([*poses, *_short_poses([k for k in order if k not in inside], told, alike, len(poses[0]))])


def _short_poses(
    left: Sequence[int], told: Sequence[float | None], alike: dict[Pair, float], most: int
) -> list[tuple[int, ...]]:
    """Neighbours among what is left over that show the same with other exposures, fewer than a whole pose."""
    out: list[tuple[int, ...]] = []
    run: list[int] = []
    for k in left:
        ev = told[k]
        fits = bool(run) and k == run[-1] + 1 and alike.get((run[-1], k), 0.0) > 0.5 and len(run) < most
        if fits and ev is not None and all(abs(ev - (told[i] or 0.0)) >= _STEP_EV for i in run):
            run.append(k)
            continue
        if len(run) > 1:
            out.append(tuple(run))
        run = [k]
    if len(run) > 1:
        out.append(tuple(run))
    return out


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
