"""What each node of the coarse grid could show, and by how much the frames disagree there."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.compose._sampling import ON_FRAME, STEPS, locate
from belvedere.compose.footprint import PlateRect, footprint
from belvedere.compose.light import FrameLight
from belvedere.compose.sample import plate_columns, plate_rows, sample
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

Mapper = Callable[[Callable[[Any], Any], Iterable[Any]], Iterable[Any]]
"""Applies a pure function to jobs; results in their order."""

KEPT = 4
"""Frames remembered at a node: those that have it farthest inside. All of them say whether they agree."""
DISAGREEMENT_UNIT = 0.0005
"""Unit of `Candidates.disagreement`, square root of scene light."""
SLOPE_UNIT = 0.002
"""Unit of `Candidates.slope`, square root of scene light."""

_BAND = 128  # rows worked on at once; bounds the scratch, has no say in the result
# Coarse px by which two frames may be out of register at a node: what a difference explained by that much
# of the local gradient says nothing about. Tie points agree to 0.25 px at full size, and the grid's
# pixels are 2 to 8 of those; the rest is what interpolation leaves on either side.
_REGISTER = 0.15
_NEVER = np.float32(1e-6)  # merit factor of a masked node: any other frame comes first


@dataclass(frozen=True, slots=True)
class Candidates:
    """The coarse grid's nodes, flat.

    Parameters
    ----------
    frames : ndarray of int16, shape (rows, columns, KEPT)
        Frames that cover the node, best first; -1: no more.
    merits : ndarray of uint8, same shape
        How far inside each frame the node lies, 0 (border) to 255 (centre).
    disagreement : ndarray of uint16, shape (rows, columns)
        Largest difference between any two frames that cover the node, less what the local gradient
        explains, in `DISAGREEMENT_UNIT`; 0 where fewer than two do.
    slope : ndarray of uint8, shape (rows, columns)
        Largest step to a neighbouring node in any of the frames, in `SLOPE_UNIT`.
    """

    frames: NDArray[np.int16]
    merits: NDArray[np.uint8]
    disagreement: NDArray[np.uint16]
    slope: NDArray[np.uint8]


def gather_candidates(
    source: FrameSource,
    numbers: Sequence[int],
    cameras: Sequence[Camera],
    lights: Sequence[FrameLight],
    plate: Plate,
    step: int,
    box: tuple[int, int, int, int],
    masks: Sequence[NDArray[np.uint8] | None] | None = None,
    run: Mapper = map,
) -> Candidates:
    """Draw every frame on the nodes of a box, band by band, and keep what the cut needs to know.

    Light is compared on a square-root scale, on which photon noise is the same everywhere (F. J. Anscombe,
    The transformation of Poisson, binomial and negative-binomial data, Biometrika 35, 1948).

    Parameters
    ----------
    box : tuple of 4 int
        Nodes x0 <= x < x1, y0 <= y < y1; columns count modulo those of the grid on a plate that wraps.
    run : Mapper
        Works on bands; the result does not depend on it.
    """
    x0, y0, x1, y1 = box
    jobs = []
    for top in range(y0, y1, _BAND):
        spans = _spans(cameras, plate, step, (x0, top, x1, min(top + _BAND, y1)))
        jobs.append((top, min(top + _BAND, y1), spans))

    def one(job: tuple[int, int, list[_Span]]) -> Candidates:
        top, bottom, spans = job
        return _gather_band(
            source, numbers, cameras, lights, plate, step, (x0, top, x1, bottom), spans, masks
        )

    shape = (y1 - y0, x1 - x0)
    out = Candidates(
        np.full((*shape, KEPT), -1, np.int16),
        np.zeros((*shape, KEPT), np.uint8),
        np.zeros(shape, np.uint16),
        np.zeros(shape, np.uint8),
    )
    for (top, bottom, _), found in zip(jobs, run(one, jobs), strict=True):
        rows = slice(top - y0, bottom - y0)
        out.frames[rows], out.merits[rows] = found.frames, found.merits
        out.disagreement[rows], out.slope[rows] = found.disagreement, found.slope
    return out


class _Span(NamedTuple):
    """Nodes x0 <= x < x1, y0 <= y < y1 that a camera may cover."""

    camera: int
    x0: int
    x1: int
    y0: int
    y1: int


def _spans(cameras: Sequence[Camera], plate: Plate, step: int, box: tuple[int, int, int, int]) -> list[_Span]:
    """What the cameras may cover of a box of nodes, camera by camera."""
    x0, y0, x1, y1 = box
    turn = plate.width // step
    shifts = (0, -turn, turn) if plate.wraps else (0,)
    out = []
    for k, camera in enumerate(cameras):
        for r in _footprint(camera, plate):
            for shift in shifts:
                left, right = r.x0 // step + shift, -(-r.x1 // step) + shift + (0 if plate.wraps else 1)
                span = _Span(
                    k, max(left, x0), min(right, x1), max(r.y0 // step, y0), min(-(-r.y1 // step) + 1, y1)
                )
                if span.x0 < span.x1 and span.y0 < span.y1:
                    out.append(span)
    return out


@lru_cache(maxsize=8192)
def _footprint(camera: Camera, plate: Plate) -> tuple[PlateRect, ...]:
    return footprint(camera, plate)


def _gather_band(
    source: FrameSource,
    numbers: Sequence[int],
    cameras: Sequence[Camera],
    lights: Sequence[FrameLight],
    plate: Plate,
    step: int,
    box: tuple[int, int, int, int],
    spans: Sequence[_Span],
    masks: Sequence[NDArray[np.uint8] | None] | None,
) -> Candidates:
    """The candidates of a band of nodes."""
    left, top, right, bottom = box
    shape = (bottom - top, right - left)
    largest = max((c.focal_px for c in cameras), default=1.0)
    frames = np.full((*shape, KEPT), -1, np.int16)
    low = np.full((*shape, 3), np.inf, np.float32)
    high = np.full((*shape, 3), -np.inf, np.float32)
    slope = np.zeros(shape, np.float32)
    merit = np.zeros((*shape, KEPT), np.float32)
    for k, x0, x1, y0, y1 in spans:
        camera, mask = cameras[k], masks[k] if masks is not None else None
        level = _level(camera, plate, step, source.levels(numbers[k]))
        piece = sample(
            source, numbers[k], level, camera, lights[k], plate, step,
            x0 - 1, y0 - 1, x1 - x0 + 2, y1 - y0 + 2,
        )  # fmt: skip
        inside = merit_of(camera, plate, step, x0, y0, x1 - x0, y1 - y0, mask)
        inside *= np.float32(camera.focal_px / largest)
        part = (slice(y0 - top, y1 - top), slice(x0 - left, x1 - left))
        feed(
            k, piece.colour, piece.valid, inside,
            frames[part], merit[part], low[part], high[part], slope[part],
        )  # fmt: skip
    return Candidates(
        frames,
        np.minimum(np.ceil(merit * np.float32(255.0)), 255.0).astype(np.uint8),
        _disagreement(frames, low, high, slope),
        np.minimum(slope / np.float32(SLOPE_UNIT), 255.0).astype(np.uint8),
    )


def merit_of(
    camera: Camera,
    plate: Plate,
    step: int,
    x0: int,
    y0: int,
    width: int,
    height: int,
    mask: NDArray[np.uint8] | None = None,
) -> NDArray[np.float32]:
    """How far inside a frame the grid's nodes lie: (height, width), 0 off the frame, else above 0, at most 1.

    (1 - X^4)(1 - Y^4), X and Y from -1 to 1 across the frame: equal for two neighbours of a row where |X|
    is, whatever Y, so that the line of equal merit is straight and upright; it bends only near a border.
    """
    lens = np.array(
        [
            camera.width, camera.height, camera.focal_px, *camera.principal_point, *camera.distortion,
            camera.radius_limit**2,
        ]
    )  # fmt: skip
    u = np.empty((height, width), np.int32)
    v = np.empty((height, width), np.int32)
    state = np.empty((height, width), np.uint8)
    locate(
        plate_columns(plate, step, x0, width), plate_rows(plate, step, y0, height),
        camera.rotation @ plate.pose, lens, np.zeros((0, 0, 2)), u, v, state,
    )  # fmt: skip
    out = np.empty((height, width), np.float32)
    _merit(u, v, state, camera.width, camera.height, out)
    if mask is not None:
        i = np.clip((u + STEPS // 2) // STEPS, 0, camera.width - 1)
        j = np.clip((v + STEPS // 2) // STEPS, 0, camera.height - 1)
        word = mask[j, i]
        out[word == 0] *= _NEVER
        out[(word == 255) & (out > 0.0)] = 1.0
    return out


def _level(camera: Camera, plate: Plate, step: int, levels: int) -> int:
    """The level of a frame whose pixels are nearest in size to the coarse grid's."""
    return max(0, min(levels - 1, round(math.log2(step * camera.focal_px / plate.pixels_per_radian))))


@njit(cache=True, nogil=True)
def _merit(
    u: NDArray[np.int32],
    v: NDArray[np.int32],
    state: NDArray[np.uint8],
    width: int,
    height: int,
    out: NDArray[np.float32],
) -> None:
    half_w, half_h = width * STEPS / 2.0, height * STEPS / 2.0
    for j in range(u.shape[0]):
        for i in range(u.shape[1]):
            x = (u[j, i] + STEPS / 2.0) / half_w - 1.0
            y = (v[j, i] + STEPS / 2.0) / half_h - 1.0
            x2, y2 = x * x, y * y
            m = max((1.0 - x2 * x2) * (1.0 - y2 * y2), 1e-4)
            out[j, i] = m if state[j, i] == ON_FRAME else 0.0


@njit(cache=True, nogil=True)
def feed(
    frame: int,
    colour: NDArray[np.float32],
    valid: NDArray[np.bool_],
    inside: NDArray[np.float32],
    frames: NDArray[np.int16],
    merit: NDArray[np.float32],
    low: NDArray[np.float32],
    high: NDArray[np.float32],
    slope: NDArray[np.float32],
) -> None:
    """Add one frame to a rectangle of nodes; `colour` and `valid` reach one node farther on every side.

    Keeps the frames sorted by merit (ties: by index, as frames come in order), and the range of what all
    of them show.
    """
    h, w = inside.shape
    for j in range(h):
        for i in range(w):
            m = inside[j, i]
            if m <= 0.0:
                continue
            k = KEPT
            while k > 0 and merit[j, i, k - 1] < m:
                k -= 1
            if k < KEPT:
                for t in range(KEPT - 1, k, -1):
                    merit[j, i, t] = merit[j, i, t - 1]
                    frames[j, i, t] = frames[j, i, t - 1]
                merit[j, i, k] = m
                frames[j, i, k] = frame
            steepest = np.float32(0.0)
            for c in range(3):
                g = np.sqrt(max(colour[j + 1, i + 1, c], np.float32(0.0)))
                low[j, i, c] = min(low[j, i, c], g)
                high[j, i, c] = max(high[j, i, c], g)
                for dj, di in ((0, 1), (1, 0)):
                    a, b = (j + 1 - dj, i + 1 - di), (j + 1 + dj, i + 1 + di)
                    if valid[a] and valid[b]:
                        ga = np.sqrt(max(colour[a[0], a[1], c], np.float32(0.0)))
                        gb = np.sqrt(max(colour[b[0], b[1], c], np.float32(0.0)))
                        steepest = max(steepest, max(abs(g - ga), abs(gb - g)))
            slope[j, i] = max(slope[j, i], steepest)


@njit(cache=True, nogil=True)
def _disagreement(
    frames: NDArray[np.int16],
    low: NDArray[np.float32],
    high: NDArray[np.float32],
    slope: NDArray[np.float32],
) -> NDArray[np.uint16]:
    h, w = slope.shape
    out = np.zeros((h, w), np.uint16)
    for j in range(h):
        for i in range(w):
            if frames[j, i, 1] >= 0:
                d = np.float32(0.0)
                for c in range(3):
                    d = max(d, high[j, i, c] - low[j, i, c])
                d -= np.float32(_REGISTER) * slope[j, i]
                out[j, i] = np.uint16(min(max(d / DISAGREEMENT_UNIT, 0.0), 65535.0))
    return out
