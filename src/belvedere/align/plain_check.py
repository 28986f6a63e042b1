"""Whether a frame placed by the grid may be what its place says: its light and structure beside others."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import level_of
from belvedere.align.overlap_check import PLAIN, Structure
from belvedere.align.overlaps import frame_grid
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

# Common practice, no published source; checked on simulated sets.
_MOST_STOPS = 1.0  # by which light may differ beyond what the settings explain: vignetting, drifting clouds
_MOST_TINT = 0.7  # stops, of red or blue against green
_LIGHT_PIXELS = 20_000
_LEAST_SAMPLES = 12
_LIVELY_SHARE = 0.015  # of a frame that must show structure for a verdict
_PATCH = 60.0  # px of the small copies that count as one independent sample of fine structure
_LIKE = 0.25  # as in contradictions.py
_BEYOND_CHANCE = 4.0  # standard deviations of chance
_REACH = 14  # px of the small copies, most that a place is looked for about the prediction

Verdict = Literal["agrees", "differs", "plain"]


@dataclass(frozen=True, slots=True)
class Light:
    """A frame's linear light, roughly, (h, w, 3) on a small copy; clipped places are NaN."""

    values: NDArray[np.float32]
    scale: float


def light(source: FrameSource, frame: int, settings: Frame) -> Light:
    """Light of a frame, less what its exposure settings explain (sRGB, IEC 61966-2-1, taken as a power)."""
    codes = source.whole(frame, level_of(source, frame, _LIGHT_PIXELS))
    top = float(np.iinfo(codes.dtype).max)
    small = max(
        codes.shape[0] // max(1, round(math.sqrt(codes.shape[0] * codes.shape[1] / _LIGHT_PIXELS))), 8
    )
    size = (max(8, round(small * codes.shape[1] / codes.shape[0])), small)
    share = cv2.resize(codes, size, interpolation=cv2.INTER_AREA).astype(np.float32) / np.float32(top)
    values = np.maximum(share, np.float32(1e-3)) ** np.float32(2.2) / np.float32(2.0 ** _stops(settings))
    values[(share > 0.97).any(axis=2)] = np.nan
    return Light(values, size[0] / source.size(frame, 0)[0])


def _stops(frame: Frame) -> float:
    """Stops that the tagged settings give a frame; 0 without."""
    m = frame.metadata
    if not (m.exposure_s and m.f_number and m.iso):
        return 0.0
    return math.log2(m.exposure_s * m.iso / m.f_number**2)


def light_agrees(a: Light, b: Light, camera_a: Camera, camera_b: Camera) -> bool | None:
    """Whether two frames are alike in brightness and tint where they overlap; None where nothing tells."""
    points = frame_grid(camera_a, 32)
    there, seen = camera_b.project(camera_a.rays(points))
    va, vb = _at(a.values, a.scale, points[seen]), _at(b.values, b.scale, there[seen])
    stops = np.log2(va / vb)
    stops = stops[np.isfinite(stops).all(axis=1)]
    if len(stops) < _LEAST_SAMPLES:
        return None
    red, green, blue = np.median(stops, axis=0)
    return bool(abs(green) < _MOST_STOPS and max(abs(red - green), abs(blue - green)) < _MOST_TINT)


def structure_verdict(
    a: Structure, b: Structure, camera_a: Camera, camera_b: Camera, sigma_px: float
) -> Verdict:
    """Whether two frames show the same fine structure where they overlap, give or take three sigmas."""
    found = shifted_likeness(a, b, camera_a, camera_b, 3.0 * sigma_px)
    if found is None:
        return "plain"
    correlation, samples = found
    k = int(np.argmax(np.where(np.isfinite(correlation), correlation, -1.0)))
    best, count = float(correlation.ravel()[k]), float(samples.ravel()[k])
    tries = max(correlation.size / 9.0, 1.0)
    chance = math.sqrt(2.0 * math.log(tries) + _BEYOND_CHANCE) / math.sqrt(max(count / _PATCH, 1.0))
    return "agrees" if best > max(_LIKE, chance) else "differs"


def shifted_likeness(
    a: Structure, b: Structure, camera_a: Camera, camera_b: Camera, within_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Correlation of two frames' fine structure for shifts about where the cameras say, and samples of each.

    None where the overlap is plain in both.
    """
    height, width = a.values.shape
    x, y = (np.arange(width) + 0.5) / a.scale - 0.5, (np.arange(height) + 0.5) / a.scale - 0.5
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    there, seen = camera_b.project(camera_a.rays(points))
    there[~seen] = -1e6
    where = ((there + 0.5) * b.scale - 0.5).astype(np.float32).reshape(height, width, 2)
    over = cv2.remap(b.values, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)  # type: ignore[call-overload]
    inside = seen.reshape(height, width)
    if not inside.any():
        return None
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    va, vb, inside = a.values[box], over[box], inside[box]
    least = _LIVELY_SHARE * height * width
    if np.count_nonzero(inside & (np.maximum(np.abs(va), np.abs(vb)) > PLAIN)) < least:
        return None
    reach = min(max(1, math.ceil(within_px * a.scale)), _REACH, min(va.shape) // 3)
    size = 2 * reach + 1
    correlation, samples = np.full((size, size), np.nan), np.zeros((size, size))
    h, w = va.shape
    for j, dy in enumerate(range(-reach, reach + 1)):
        for i, dx in enumerate(range(-reach, reach + 1)):
            pa = (slice(max(0, dy), h + min(0, dy)), slice(max(0, dx), w + min(0, dx)))
            pb = (slice(max(0, -dy), h + min(0, -dy)), slice(max(0, -dx), w + min(0, -dx)))
            p, q = va[pa], vb[pb]
            use = inside[pb] & (np.maximum(np.abs(p), np.abs(q)) > PLAIN)
            n = int(np.count_nonzero(use))
            samples[j, i] = n
            if n >= 0.5 * least:
                p, q = p[use].astype(np.float64), q[use].astype(np.float64)
                spread = math.sqrt(float(np.mean(p * p)) * float(np.mean(q * q)))
                correlation[j, i] = float(np.mean(p * q)) / max(spread, 1e-9)
    return correlation, samples


def _at(values: NDArray[np.float32], scale: float, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values (n, 3) at positions (n, 2) of the full frame, n < 32768 (bilinear)."""
    if not len(points):
        return np.empty((0, 3))
    where = ((points + 0.5) * scale - 0.5).astype(np.float32).reshape(-1, 1, 2)
    found = cv2.remap(values, where, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # type: ignore[call-overload]
    return np.asarray(found[:, 0], dtype=np.float64)
