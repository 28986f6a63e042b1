"""The light that overlapping frames saw in the same directions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource, Pixels
from belvedere.geometry.camera import Camera
from belvedere.tone.lattice import directions_near, lattice_for
from belvedere.tone.options import ToneOptions

CLIPPED = 0.985
"""Code value (0 to 1) from which a sample counts as clipped (common practice, no published source)."""
CRUSHED = 0.03
"""Code value below which a channel counts as crushed (common practice, no published source)."""
FEWEST = 30
"""Fewest common samples that let a pair of frames have a say."""

_MARGIN_PX = 3.0  # at the level read: the window and its neighbours lie inside the frame
_CODE_ERROR = 0.6 / 255.0  # one sigma of a window's code: quantisation and compression; only ratios matter
_LEAST_SHIFT_PX = 0.15  # at the level read: one sigma of the placement
_ROUGHNESS = 0.04  # share of a window's own range taken as one sigma: what lies between the pixels
_ROUGHEST_EV = 0.35  # a window with a larger sigma is left out
_REACH = 0.01  # entry of a matrix from which a crushed channel takes its say from the channel it goes into


@dataclass(frozen=True, slots=True)
class FrameSamples:
    """One frame's usable light, by lattice number.

    Parameters
    ----------
    ids : ndarray of int64, shape (m,)
        Lattice numbers, ascending.
    light : ndarray of shape (m, 3), float64
        log2 of the mean light of a small window, by the frame's transfer, in the picture's primaries; NaN
        where a channel is crushed or below 0.
    code : ndarray of shape (m, 3), float64
        The code value (0 to 1) that light stands for: what the frame's transfer takes to it.
    variance : ndarray of shape (m, 3), float64
        Of `light`, EV^2, by code error, slope and roughness; right up to a factor.
    q : ndarray of shape (m,), float64
        (distance from the principal point / half diagonal)^2.
    """

    ids: NDArray[np.int64]
    light: NDArray[np.float64]
    code: NDArray[np.float64]
    variance: NDArray[np.float64]
    q: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PairSamples:
    """The common samples of all pairs, one pair after the other.

    Parameters
    ----------
    a, b : ndarray of int64, shape (p,)
        Frames of each pair, a < b.
    first : ndarray of int64, shape (p + 1,)
        Pair i holds the samples first[i] <= s < first[i + 1].
    step : ndarray of shape (3, n), float64
        log2 light of b over a, per channel, before any correction; 0 where the channel has no say.
    variance : ndarray of shape (3, n), float64
        Of `step`; inf where the channel has no say.
    code_a, code_b : ndarray of shape (3, n), float64
        Code values (0 to 1).
    q_a, q_b : ndarray of shape (n,), float64
        Squared relative radii.
    """

    a: NDArray[np.int64]
    b: NDArray[np.int64]
    first: NDArray[np.int64]
    step: NDArray[np.float64]
    variance: NDArray[np.float64]
    code_a: NDArray[np.float64]
    code_b: NDArray[np.float64]
    q_a: NDArray[np.float64]
    q_b: NDArray[np.float64]

    @property
    def pair_of(self) -> NDArray[np.int64]:
        """Pair of each sample, shape (n,)."""
        return np.repeat(np.arange(self.a.size), np.diff(self.first))


def draw_samples(
    source: FrameSource,
    cameras: Sequence[Camera | None],
    tables: Sequence[NDArray[np.float32]],
    shifts_px: Sequence[float],
    options: ToneOptions,
    to_common: Sequence[NDArray[np.float64] | None] | None = None,
) -> PairSamples:
    """Draw what overlapping frames have in common, from reduced levels, clipped and crushed light left out.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    cameras : sequence of Camera or None
        Solved cameras of the frames as displayed; None: the frame is not used.
    tables : sequence of ndarray of shape (1025,)
        Each frame's code-to-light table.
    shifts_px : sequence of float
        One sigma of each frame's placement, px of the full frame.
    to_common : sequence of (ndarray of shape (3, 3) or None), or None
        What takes each frame's linear RGB to the picture's primaries; None: nothing to do.
    """
    used = [i for i, c in enumerate(cameras) if c is not None]
    own = [c for c in cameras if c is not None]
    if len(own) < 2:
        return join_pairs([], {})
    per_frame = min(options.directions_per_frame, max(200, options.most_directions // len(own)))
    lattice = lattice_for(own, per_frame)
    frames = {}
    for i, camera in zip(used, own, strict=True):
        ids, directions = directions_near(lattice, camera)
        matrix = None if to_common is None else to_common[i]
        frames[i] = sample_frame(source, i, camera, tables[i], shifts_px[i], ids, directions, options, matrix)
    return join_pairs(overlapping_pairs(used, own), frames)


def level_to_read(source: FrameSource, frame: int, pixels: int) -> int:
    """The level whose size comes nearest (as a ratio) to `pixels`."""
    sizes = [source.size(frame, level) for level in range(source.levels(frame))]
    return int(np.argmin([abs(math.log(w * h / pixels)) for w, h in sizes]))


def sample_frame(
    source: FrameSource,
    frame: int,
    camera: Camera,
    table: NDArray[np.float32],
    shift_px: float,
    ids: NDArray[np.int64],
    directions: NDArray[np.float64],
    options: ToneOptions,
    to_common: NDArray[np.float64] | None = None,
) -> FrameSamples:
    """One frame's light in the directions it sees, without clipped, crushed and rough places.

    With a matrix `to_common`, light is its product with the linear codes, as it is when the frame is drawn.
    A curve estimated on top then bends the codes that the product stands for: for greys that is the same,
    for other colours as long as the bend grows evenly with log light.
    """
    level = level_to_read(source, frame, options.level_pixels)
    scale = 2.0**level
    points, seen = camera.project(directions)
    width, height = source.size(frame, level)
    at = (points - (scale - 1.0) / 2.0) / scale
    with np.errstate(invalid="ignore"):
        seen &= (at > _MARGIN_PX).all(axis=-1)
        seen &= (at[:, 0] < width - 1 - _MARGIN_PX) & (at[:, 1] < height - 1 - _MARGIN_PX)
    ids, points, at = ids[seen], points[seen], at[seen]
    light, slope, low, high, brightest = _read_windows(source.whole(frame, level), table, at, to_common)
    knots = np.linspace(0.0, 1.0, table.size)
    curve = np.maximum.accumulate(table.astype(np.float64))
    code = np.interp(light, curve, knots)
    crushed = (code < CRUSHED) | (light <= 0.0)
    rise = np.interp(code + 0.005, knots, curve) - np.interp(code - 0.005, knots, curve)
    error = _CODE_ERROR * rise / 0.01
    if to_common is not None:
        light = light @ to_common.T
        code = np.interp(light, curve, knots)
        crushed = crushed @ (np.abs(to_common) > _REACH).T | (code < CRUSHED) | (light <= 0.0)
        error = np.sqrt(error**2 @ (to_common**2).T)
    value = np.log2(np.where(crushed, 1.0, light))
    shift = max(_LEAST_SHIFT_PX, shift_px / scale)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_code = error / (light * math.log(2.0))
        by_scene = np.hypot(shift * slope / (light * math.log(2.0)), _ROUGHNESS * np.log2(high / low))
        rough = ~(by_scene < _ROUGHEST_EV)
    keep = (brightest < CLIPPED) & ~(crushed | rough).all(axis=-1)
    gone = (crushed | rough)[keep]
    offset = points[keep] - np.asarray(camera.principal_point)
    return FrameSamples(
        ids=ids[keep],
        light=np.where(gone, np.nan, value[keep]),
        code=code[keep],
        variance=np.where(gone, np.inf, by_code[keep] ** 2 + by_scene[keep] ** 2),
        q=np.sum(offset**2, axis=-1) / camera.half_diagonal_px**2,
    )


def overlapping_pairs(used: Sequence[int], cameras: Sequence[Camera]) -> list[tuple[int, int]]:
    """Pairs (i, j), i < j, of frames whose circles of view meet."""
    axes = np.stack([c.rotation[2] for c in cameras])
    radii = np.array([_view_radius(c) for c in cameras])
    pairs = []
    for n in range(len(used) - 1):
        angle = np.arccos(np.clip(axes[n + 1 :] @ axes[n], -1.0, 1.0))
        near = np.flatnonzero(angle < radii[n] + radii[n + 1 :]) + n + 1
        pairs += [(used[n], used[int(m)]) for m in near]
    return pairs


def join_pairs(pairs: Sequence[tuple[int, int]], frames: dict[int, FrameSamples]) -> PairSamples:
    """Put side by side what each pair of frames has in common; pairs with too little are left out."""
    kept: list[tuple[int, int, NDArray[np.int64], NDArray[np.int64]]] = []
    for a, b in pairs:
        _, at_a, at_b = np.intersect1d(frames[a].ids, frames[b].ids, assume_unique=True, return_indices=True)
        some = (np.isfinite(frames[a].light[at_a]) & np.isfinite(frames[b].light[at_b])).any(axis=-1)
        if int(some.sum()) >= FEWEST:
            kept.append((a, b, at_a[some], at_b[some]))
    first = np.cumsum([0] + [k[2].size for k in kept]).astype(np.int64)
    n = int(first[-1])
    step, variance = np.zeros((3, n)), np.full((3, n), np.inf)
    code_a, code_b = np.zeros((3, n)), np.zeros((3, n))
    q_a, q_b = np.zeros(n), np.zeros(n)
    for place, (a, b, at_a, at_b) in enumerate(kept):
        own = slice(int(first[place]), int(first[place + 1]))
        fa, fb = frames[a], frames[b]
        difference = (fb.light[at_b] - fa.light[at_a]).T
        valid = np.isfinite(difference)
        step[:, own] = np.where(valid, difference, 0.0)
        variance[:, own] = np.where(valid, (fa.variance[at_a] + fb.variance[at_b]).T, np.inf)
        code_a[:, own], code_b[:, own] = fa.code[at_a].T, fb.code[at_b].T
        q_a[own], q_b[own] = fa.q[at_a], fb.q[at_b]
    return PairSamples(
        np.array([k[0] for k in kept], dtype=np.int64),
        np.array([k[1] for k in kept], dtype=np.int64),
        first,
        step,
        variance,
        code_a,
        code_b,
        q_a,
        q_b,
    )


def _view_radius(camera: Camera) -> float:
    """Largest angle between the camera's axis and what its corners see, radians."""
    right, bottom = camera.width - 0.5, camera.height - 0.5
    corners = camera.camera_rays([[-0.5, -0.5], [right, -0.5], [-0.5, bottom], [right, bottom]])
    return float(np.arccos(np.clip(corners[:, 2], -1.0, 1.0)).max())


def _read_windows(
    pixels: Pixels,
    table: NDArray[np.float32],
    at: NDArray[np.float64],
    to_common: NDArray[np.float64] | None,
) -> tuple[NDArray[np.float64], ...]:
    """Mean light, slope (light a pixel), lowest, highest light (m, 3), and the brightest code (m,) nearby.

    The mean is by the table alone; slope, lowest and highest are after the matrix.
    """
    m = at.shape[0]
    light, slope, low, high = np.zeros((m, 3)), np.zeros((m, 3)), np.zeros((m, 3)), np.zeros((m, 3))
    brightest = np.zeros(m)
    most = float(np.iinfo(pixels.dtype).max)
    matrix = np.eye(3) if to_common is None else np.ascontiguousarray(to_common, dtype=np.float64)
    _windows(pixels, table.astype(np.float64), most, at, matrix, light, slope, low, high, brightest)
    return light, slope, low, high, brightest


@njit(cache=True, nogil=True)
def _windows(
    pixels: Pixels,
    table: NDArray[np.float64],
    most: float,
    at: NDArray[np.float64],
    matrix: NDArray[np.float64],
    light: NDArray[np.float64],
    slope: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    brightest: NDArray[np.float64],
) -> None:
    """A 3 x 3 mean, moved by a fraction of a pixel (4 x 4 taps); clipping is looked for one pixel further."""
    wx, wy = np.empty(4), np.empty(4)
    taps = np.empty((3, 4, 4))
    last = table.size - 1
    scale = last / most
    for s in range(at.shape[0]):
        x0, y0 = int(np.floor(at[s, 0])), int(np.floor(at[s, 1]))
        fx, fy = at[s, 0] - x0, at[s, 1] - y0
        wx[0], wx[1], wx[2], wx[3] = (1.0 - fx) / 3.0, 1.0 / 3.0, 1.0 / 3.0, fx / 3.0
        wy[0], wy[1], wy[2], wy[3] = (1.0 - fy) / 3.0, 1.0 / 3.0, 1.0 / 3.0, fy / 3.0
        top = 0
        for j in range(y0 - 2, y0 + 4):
            for i in range(x0 - 2, x0 + 4):
                for k in range(3):
                    top = max(top, int(pixels[j, i, k]))
        brightest[s] = top / most
        for k in range(3):
            total = 0.0
            for j in range(4):
                for i in range(4):
                    t = pixels[y0 - 1 + j, x0 - 1 + i, k] * scale
                    n = min(int(t), last - 1)
                    taps[k, j, i] = table[n] + (t - n) * (table[n + 1] - table[n])
                    total += wx[i] * wy[j] * taps[k, j, i]
            light[s, k] = total
        for k in range(3):
            gx, gy = 0.0, 0.0
            least, largest = 1e30, 0.0
            for j in range(4):
                for i in range(4):
                    value = matrix[k, 0] * taps[0, j, i] + matrix[k, 1] * taps[1, j, i]
                    value += matrix[k, 2] * taps[2, j, i]
                    gx += value if i >= 2 else -value
                    gy += value if j >= 2 else -value
                    least, largest = min(least, value), max(largest, value)
            slope[s, k] = math.sqrt(gx * gx + gy * gy) / 16.0
            low[s, k], high[s, k] = least, largest
