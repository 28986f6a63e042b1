"""Where two overlapping frames show different things, beyond noise, misregistration and parallax."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_match import transfer
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.overlap_field import OverlapField, cameras_of, copy_level
from belvedere.tone.tone import FrameTone, Tone

_MAP_STEP = 8  # px of the copy between positions that are projected; between them they are interpolated
_BANDS = 6  # of rows, in which misregistration is taken apart
_MOST_SHIFT = 8  # px of the copy
_SMOOTH = 1.0  # px of the copy: takes off what a slightly soft frame lacks
# Of the square root of light, white being 1; no published source.
_TOLERANCE = 0.02
_SIGMAS = 5.0
_STRUCTURE = 0.3  # of the local range of values, within which resampling and softness may differ
_LEAST_AREA = 24  # px of the copy
_LEAST_EXCESS = 2.0  # mean excess over the tolerance, in tolerances
_CLIPPED = 0.985  # code from which, and below which, light says nothing; as in tone
_CRUSHED = 0.03
_EDGE = 3  # px of the copy along the rim of the overlap that have no say


@dataclass(frozen=True, slots=True)
class Region:
    """A connected place where two frames differ.

    Parameters
    ----------
    box : tuple of 4 float
        x0, y0, x1, y1 in frame a, px.
    area : float
        Share of frame a's area.
    excess : float
        Mean difference over the tolerance, in tolerances.
    top, bottom : float
        Pitch of its upper and lower edge, rad.
    """

    box: tuple[float, float, float, float]
    area: float
    excess: float
    top: float
    bottom: float


@dataclass(frozen=True, slots=True)
class OverlapDifference:
    """What differs in one overlap.

    Parameters
    ----------
    a, b : int
        Frame indices.
    regions : tuple of Region
        Largest first.
    area : float
        Area of the overlap, as a share of frame a.
    """

    a: int
    b: int
    regions: tuple[Region, ...]
    area: float


def compare_overlap(checked: Checked, field: OverlapField) -> OverlapDifference:
    """Compare two frames where they overlap, on copies of at most 0.6 megapixels.

    A pixel differs where its value lies outside the range of the other frame's values within the
    misregistration that the details of the field show there, widened by noise; both ways round.
    """
    source, pair = checked.source, (field.a, field.b)
    cameras = cameras_of(checked)
    level = min(max(copy_level(source, i) for i in pair), *(source.levels(i) - 1 for i in pair))
    small = cameras[field.a].scaled(level), cameras[field.b].scaled(level)
    box, maps = _maps(*small)
    nothing = OverlapDifference(*pair, (), 0.0)
    if box is None or maps is None:
        return nothing
    x0, y0, _, y1 = box
    inside = (maps[..., 0] >= 1) & (maps[..., 0] <= small[1].width - 2)
    inside &= (maps[..., 1] >= 1) & (maps[..., 1] <= small[1].height - 2)
    if not inside.any():
        return nothing
    u, v = maps[inside, 0], maps[inside, 1]
    there = (int(u.min()) - 2, int(v.min()) - 2, int(u.max()) + 4, int(v.max()) + 4)
    value_a, fine_a = _values(checked.tone, source, field.a, level, small[0], box)
    value_b, fine_b = _values(checked.tone, source, field.b, level, small[1], there)
    maps -= np.array(there[:2], dtype=np.float32)
    value_b = np.asarray(cv2.remap(value_b, maps, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))  # type: ignore[call-overload]
    fine_b = np.asarray(cv2.remap(fine_b, maps, None, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE))  # type: ignore[call-overload]
    both = inside & (fine_a > 0) & (fine_b > 0)
    usable = cv2.erode(
        both.astype(np.uint8), np.ones((2 * _EDGE + 1, 2 * _EDGE + 1), np.uint8), borderValue=0
    )
    if not usable.any():
        return nothing
    shift = _shifts(field, cameras[field.a], cameras[field.b], level, y0, y1)
    excess = _excess(value_a, value_b, usable > 0, shift)
    regions = _regions(excess, cameras[field.a], level, (x0, y0))
    return OverlapDifference(
        *pair, regions, float(np.count_nonzero(inside)) / (small[0].width * small[0].height)
    )


def _maps(a: Camera, b: Camera) -> tuple[tuple[int, int, int, int] | None, NDArray[np.float32] | None]:
    """The box of frame a that b sees, and where its pixels lie in b."""
    columns = np.arange(0, a.width + _MAP_STEP, _MAP_STEP, dtype=np.float64)
    rows = np.arange(0, a.height + _MAP_STEP, _MAP_STEP, dtype=np.float64)
    grid = np.stack(np.meshgrid(columns, rows), axis=-1)
    there, seen = b.project(a.rays(grid))
    if not seen.any():
        return None, None
    ys, xs = np.nonzero(seen)
    i0, i1 = max(0, xs.min() - 1), min(len(columns) - 1, xs.max() + 1)
    j0, j1 = max(0, ys.min() - 1), min(len(rows) - 1, ys.max() + 1)
    x0, y0 = int(i0 * _MAP_STEP), int(j0 * _MAP_STEP)
    x1, y1 = min(a.width, int(i1 * _MAP_STEP)), min(a.height, int(j1 * _MAP_STEP))
    part = np.nan_to_num(there[j0 : j1 + 1, i0 : i1 + 1], nan=-1e4).astype(np.float32)
    u, v = np.meshgrid(
        (np.arange(x0, x1, dtype=np.float32) - x0) / _MAP_STEP,
        (np.arange(y0, y1, dtype=np.float32) - y0) / _MAP_STEP,
    )
    maps = cv2.remap(part, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return (x0, y0, x1, y1), np.asarray(maps)


def _values(
    tone: Tone | None,
    source: FrameSource,
    frame: int,
    level: int,
    camera: Camera,
    box: tuple[int, int, int, int],
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Square root of light in a box, exposure and vignetting taken out, smoothed; and where it tells."""
    codes = source.window(frame, level, *box)
    steps = codes if codes.dtype == np.uint8 else (codes >> np.uint16(6))  # 1024 steps are finer than noise
    top = 255 if codes.dtype == np.uint8 else 1023
    brightest = steps.max(axis=2)
    fine = ((brightest < _CLIPPED * top) & (brightest > _CRUSHED * top)).astype(np.uint8)
    encoded = np.arange(top + 1) / top
    own = tone.frames[frame] if tone is not None else None
    if tone is None or own is None:
        value = encoded.astype(np.float32)[steps]
    else:
        light = np.interp(encoded, np.linspace(0.0, 1.0, 1025), tone.responses[own.response].to_linear)
        passed = own.gain * np.array(own.white_balance)
        if own.to_common is None:
            value = np.stack(
                [np.sqrt(light / passed[c]).astype(np.float32)[steps[..., c]] for c in range(3)], axis=-1
            )
        else:
            mixed = light.astype(np.float32)[steps] @ np.array(own.to_common, dtype=np.float32).T
            value = np.sqrt(np.maximum(mixed, 0.0) / passed.astype(np.float32))
        value *= _fall_off(own, camera, box)[..., None]
    return np.asarray(cv2.GaussianBlur(value, (0, 0), _SMOOTH), dtype=np.float32), fine


def _fall_off(own: FrameTone, camera: Camera, box: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """What undoes the vignetting of a square root of light."""
    x = (np.arange(box[0], box[2]) - camera.principal_point[0]) / camera.half_diagonal_px
    y = (np.arange(box[1], box[3]) - camera.principal_point[1]) / camera.half_diagonal_px
    q = ((y * y)[:, None] + (x * x)[None, :]).astype(np.float32)
    a1, a2, a3 = (np.float32(a) for a in own.vignetting)
    return np.asarray(1.0 / np.sqrt(np.maximum(1.0 + q * (a1 + q * (a2 + q * a3)), 0.05)), dtype=np.float32)


def _shifts(
    field: OverlapField, a: Camera, b: Camera, level: int, y0: int, y1: int
) -> list[tuple[int, int, int]]:
    """Bands of rows of the box (first, last) and the misregistration in each, px of the copy."""
    edges = np.linspace(y0, y1, _BANDS + 1)
    moved = np.zeros(len(field.points_a))
    if len(moved):
        there, _, _ = transfer(field.points_a, a, b)
        moved = np.nan_to_num(np.linalg.norm(field.points_b - there, axis=1)) / 2.0**level
    at = field.points_a[:, 1] / 2.0**level
    out, last = [], 0.0
    for k in range(_BANDS):
        mine = moved[(at >= edges[k]) & (at < edges[k + 1])]
        last = float(np.quantile(mine, 0.8)) if len(mine) >= 4 else last
        out.append(
            (round(edges[k]) - y0, round(edges[k + 1]) - y0, min(_MOST_SHIFT, 1 + math.ceil(last - 0.25)))
        )
    return out


def _excess(
    a: NDArray[np.float32],
    b: NDArray[np.float32],
    usable: NDArray[np.bool_],
    shifts: list[tuple[int, int, int]],
) -> NDArray[np.float32]:
    """How far the frames differ beyond what they may, in tolerances; 0 where they agree."""
    plain = np.abs(a - b)[usable]
    noise = 1.4826 * float(np.median(plain)) if plain.size else 0.0
    tolerance = _TOLERANCE + _SIGMAS * min(noise, 0.02)
    out = np.zeros(a.shape[:2], dtype=np.float32)
    for first, last, shift in shifts:
        y0, y1 = max(0, first - shift), min(len(a), last + shift)
        kernel = np.ones((2 * shift + 1, 2 * shift + 1), np.uint8)
        part = np.zeros((y1 - y0, a.shape[1]), dtype=np.float32)
        for one, other in ((a[y0:y1], b[y0:y1]), (b[y0:y1], a[y0:y1])):
            high, low = cv2.dilate(other, kernel), cv2.erode(other, kernel)
            over = np.maximum(one - high, low - one) - np.float32(_STRUCTURE) * (high - low)
            part = np.maximum(part, over.max(axis=2) / np.float32(tolerance))
        out[first:last] = part[first - y0 : last - y0]
    return np.where(usable & (out > 1.0), out, np.float32(0.0))


def _regions(
    excess: NDArray[np.float32], camera: Camera, level: int, corner: tuple[int, int]
) -> tuple[Region, ...]:
    mask = cv2.morphologyEx((excess > 0).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    scale, shift = 2.0**level, (2.0**level - 1.0) / 2.0
    out = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area < _LEAST_AREA:
            continue
        inside = excess[y : y + h, x : x + w][labels[y : y + h, x : x + w] == k]
        strength = float(np.mean(inside))
        if strength < _LEAST_EXCESS:
            continue
        px = np.array([corner[0] + x, corner[1] + y, corner[0] + x + w - 1, corner[1] + y + h - 1])
        box = px * scale + shift
        middle = (box[0] + box[2]) / 2.0
        rays = camera.rays(np.array([[middle, box[1]], [middle, box[3]]]))
        top, bottom = (float(v) for v in -np.arcsin(rays[:, 1]))
        share = area * scale * scale / (camera.width * camera.height)
        out.append(
            Region((float(box[0]), float(box[1]), float(box[2]), float(box[3])), share, strength, top, bottom)
        )
    return tuple(sorted(out, key=lambda r: -r.area))
