"""Do two frames show the same where the solved cameras say they should? Asked of the pixels themselves.

Matches that agree with each other can still be wrong, and a wrong link brings frames together that share
nothing. Where two frames are said to overlap, their fine structure must correlate; where it is plain there
is no verdict.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import level_of
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_KEPT = 300  # frames whose structure is kept at hand (150 MB)
_PIXELS = 120_000  # of the copies compared: coarse, so that a pixel or two of error do not matter
_GRID = 72
_LEAST_POINTS = 80
PLAIN = 1.5  # codes of 255: structure weaker than this is noise or haze


@dataclass(frozen=True, slots=True)
class Likeness:
    """Correlation (-1 to 1) of two frames over `points` places with structure; NaN with too few."""

    correlation: float
    points: int


@dataclass(frozen=True, slots=True)
class Structure:
    """A frame's fine structure: a small grey copy less its local mean, and the level it was taken from."""

    values: NDArray[np.float32]
    scale: float


def structure(source: FrameSource, frame: int) -> Structure:
    """Fine structure of a frame, in codes of 255."""
    width, height = source.size(frame, 0)
    codes = source.whole(frame, level_of(source, frame, _PIXELS))
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY).astype(np.float32)
    if codes.dtype == np.uint16:
        grey /= np.float32(257.0)
    scale = (_PIXELS / (width * height)) ** 0.5
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    return Structure(np.asarray(small - cv2.GaussianBlur(small, (0, 0), 5.0)), size[0] / width)


class Structures:
    """Fine structure of all frames of a series, made when asked for; a few are kept."""

    def __init__(self, source: FrameSource) -> None:
        self._source = source
        self._kept: OrderedDict[int, Structure] = OrderedDict()
        self._lock = threading.Lock()

    def __getitem__(self, frame: int) -> Structure:
        with self._lock:
            if frame in self._kept:
                self._kept.move_to_end(frame)
                return self._kept[frame]
        made = structure(self._source, frame)
        with self._lock:
            self._kept[frame] = made
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return made


def likeness(a: Structure, b: Structure, camera_a: Camera, camera_b: Camera) -> Likeness:
    """Compare two frames where their cameras say they overlap."""
    x = (np.arange(_GRID) + 0.5) / _GRID * camera_a.width - 0.5
    y = (np.arange(_GRID) + 0.5) / _GRID * camera_a.height - 0.5
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    there, seen = camera_b.project(camera_a.rays(points))
    va, vb = _at(a, points[seen]), _at(b, there[seen])
    lively = np.maximum(np.abs(va), np.abs(vb)) > PLAIN
    n = int(np.count_nonzero(lively))
    if n < _LEAST_POINTS:
        return Likeness(float("nan"), n)
    va, vb = va[lively], vb[lively]
    spread = float(np.sqrt(np.mean(va**2) * np.mean(vb**2)))
    return Likeness(float(np.mean(va * vb)) / max(spread, 1e-9), n)


def _at(structure: Structure, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values at positions of the full frame (bilinear)."""
    where = ((points + 0.5) * structure.scale - 0.5).astype(np.float32).reshape(-1, 1, 2)
    found = cv2.remap(structure.values, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found.ravel(), dtype=np.float64)
