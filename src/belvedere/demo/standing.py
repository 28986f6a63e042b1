"""Things that stand upright before the scenery: houses, towers, a facade, a fence, people.

Each stands in a vertical plane that faces the viewer: a point of it is (a, b), a to the right of its middle
and b up from its foot, both in radians as seen from the place's origin (metres / distance). Its vertical
edges are plumb lines.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.demo.noise import UNBOUNDED, noise2
from belvedere.demo.rays import undistortion_table, unit_ray
from belvedere.geometry.camera import Camera

HOUSE, LIGHTHOUSE, CHURCH, FACADE, FENCE, WALKER = range(6)


@dataclass(frozen=True, slots=True)
class Standing:
    """One upright thing.

    Parameters
    ----------
    kind : int
        HOUSE to WALKER.
    yaw : float
        Of its middle, rad.
    foot : float
        e = tan(elevation) of its foot.
    distance_m : float
        Of its plane.
    half_width, height : float
        As seen, rad.
    look : float
        0 to 1: colour.
    phase : float
        Of a walker's stride, in turns; its sign is where it heads (positive right).
    """

    kind: int
    yaw: float
    foot: float
    distance_m: float
    half_width: float
    height: float
    look: float
    phase: float = 0.0


def outline_points(thing: Standing, steps: int = 9) -> NDArray[np.float64]:
    """World points (steps, steps, 3) spread over the thing's rectangle, m."""
    a = np.linspace(-thing.half_width, thing.half_width, steps)
    b = np.linspace(0.0, thing.height, steps)
    aa, bb = np.meshgrid(a, b)
    c, s = math.cos(thing.yaw), math.sin(thing.yaw)
    return thing.distance_m * np.stack([s + aa * c, -(thing.foot + bb), c - aa * s], axis=-1)


def box_in_frame(
    thing: Standing, camera: Camera, centre_m: tuple[float, float, float]
) -> tuple[float, float, float, float] | None:
    """x0, y0, x1, y1 around the whole thing in displayed px, or None where it cannot be seen at all."""
    rays = outline_points(thing) - np.array(centre_m)
    points, seen = camera.project(rays)
    if not np.any(seen):
        return None
    x, y = points[..., 0], points[..., 1]
    return float(np.nanmin(x)), float(np.nanmin(y)), float(np.nanmax(x)), float(np.nanmax(y))


def draw_standing(
    light: NDArray[np.float32],
    first_row: int,
    things: tuple[Standing, ...],
    camera: Camera,
    centre_m: tuple[float, float, float],
    detail_px: float,
    labels: NDArray[np.uint8] | None = None,
) -> None:
    """Draw things over a band of rows of light (rows, width, 3), in order, far ones first.

    `labels` (rows, width), where given, gets 1 + the index of the thing that covers more than half a pixel.
    """
    table, radius2 = undistortion_table(camera)
    rows = light.shape[0]
    mark = labels if labels is not None else np.zeros((1, 1), dtype=np.uint8)
    for index, t in enumerate(things):
        box = box_in_frame(t, camera, centre_m)
        if box is None:
            continue
        x0, x1 = max(math.floor(box[0]) - 2, 0), min(math.ceil(box[2]) + 3, camera.width)
        y0, y1 = max(math.floor(box[1]) - 2 - first_row, 0), min(math.ceil(box[3]) + 3 - first_row, rows)
        if x0 >= x1 or y0 >= y1:
            continue
        _draw(
            light,
            first_row,
            np.array([x0, y0, x1, y1], dtype=np.int64),
            camera.focal_px,
            np.array(camera.principal_point, dtype=np.float64),
            camera.rotation,
            table,
            radius2,
            np.array(centre_m, dtype=np.float64),
            np.array([t.yaw, t.foot, t.distance_m, t.half_width, t.height, t.look, t.phase]),
            t.kind,
            detail_px,
            mark,
            index + 1 if labels is not None else 0,
        )


@njit(inline="always")
def _in(x: float, low: float, high: float, px: float) -> float:
    """Share of a pixel (1/px wide) at x that lies between low and high."""
    a = min(max((x - low) * px + 0.5, 0.0), 1.0)
    b = min(max((high - x) * px + 0.5, 0.0), 1.0)
    return max(a + b - 1.0, 0.0)


@njit(inline="always")
def _rect(a: float, b: float, a0: float, a1: float, b0: float, b1: float, px: float) -> float:
    return _in(a, a0, a1, px) * _in(b, b0, b1, px)


@njit(cache=True, nogil=True)
def _grain(a: float, b: float, first: float, px: float, seed: int) -> float:
    """Noise on the surface itself, cells from `first` rad down to the pixel."""
    out, cell, k = 0.0, first, 0
    while cell * px > 1.5:
        w = min((cell * px - 1.5) / 0.9, 1.0)
        out += w * noise2(a / cell, b / cell, UNBOUNDED, seed + k)
        cell *= 0.36
        k += 1
    return out


@njit(inline="always")
def _over(c: NDArray[np.float64], alpha: float, r: float, g: float, b: float) -> None:
    """Lay a colour over the colour so far (r, g, b, alpha) in `c`, premultiplied."""
    c[0] += (r - c[0]) * alpha
    c[1] += (g - c[1]) * alpha
    c[2] += (b - c[2]) * alpha
    c[3] += (1.0 - c[3]) * alpha


@njit(cache=True, nogil=True)
def _house(c: NDArray[np.float64], a: float, b: float, w: float, h: float, look: float, px: float) -> None:
    """A house: rendered wall, windows, slate or tile roof, chimney."""
    wall = 0.52 * h
    stain = 1.0 + 0.10 * _grain(a, b, 0.2 * w, px, 11)
    slope = 1.0 - (b - wall) / (h * 0.9 - wall)
    _over(c, _rect(a, b, 0.45 * w, 0.62 * w, wall, h, px), 0.30 * stain, 0.17 * stain, 0.12 * stain)
    roof = _in(b, wall, h * 0.9, px) * _in(a, -w * (0.62 + 0.38 * slope), w * (0.62 + 0.38 * slope), px)
    tile = 1.0 + 0.22 * math.sin(min(b / h * 150.0, 1e3)) * min(max(h * px / 150.0 - 1.0, 0.0), 1.0)
    red = 0.16 + 0.26 * (1.0 if look > 0.45 else 0.0)
    _over(c, roof, red * stain * tile, 0.15 * stain * tile, 0.13 * stain * tile)
    _over(
        c,
        _rect(a, b, -0.9 * w, 0.9 * w, 0.0, wall, px),
        (0.62 + 0.2 * look) * stain,
        0.66 * stain,
        0.60 * stain,
    )
    for k in range(4):
        x = (-0.675 + 0.45 * k) * w
        if k == 1:
            _over(c, _rect(a, b, x - 0.09 * w, x + 0.09 * w, 0.0, 0.30 * h, px), 0.10, 0.16, 0.20)
        else:
            _over(c, _rect(a, b, x - 0.10 * w, x + 0.10 * w, 0.16 * h, 0.38 * h, px), 0.85, 0.85, 0.82)
            _over(c, _rect(a, b, x - 0.07 * w, x - 0.01 * w, 0.18 * h, 0.36 * h, px), 0.05, 0.06, 0.08)
            _over(c, _rect(a, b, x + 0.01 * w, x + 0.07 * w, 0.18 * h, 0.36 * h, px), 0.05, 0.06, 0.08)


@njit(cache=True, nogil=True)
def _lighthouse(c: NDArray[np.float64], a: float, b: float, w: float, h: float, px: float) -> None:
    """A tapered tower with red bands, gallery, lantern and cap, round in its shade."""
    t = b / (0.80 * h)
    half = w * (0.75 - 0.27 * t)
    turn = min(max(a / max(half, 1e-9), -1.0), 1.0)
    lit = 0.35 + 0.65 * max(0.0, 0.80 * math.sqrt(1.0 - turn * turn) - 0.60 * turn)
    lit *= 1.0 + 0.06 * _grain(a, b, 0.5 * w, px, 23)
    tower = _in(b, 0.0, 0.80 * h, px) * _in(a, -half, half, px)
    _over(c, tower, 0.92 * lit, 0.90 * lit, 0.86 * lit)
    band = tower * (_in(b, 0.20 * h, 0.36 * h, px) + _in(b, 0.54 * h, 0.68 * h, px))
    _over(c, band, 0.55 * lit, 0.06 * lit, 0.05 * lit)
    for k in range(3):
        _over(
            c,
            _rect(a, b, -0.07 * w, 0.07 * w, (0.12 + 0.28 * k) * h, (0.16 + 0.28 * k) * h, px),
            0.04,
            0.04,
            0.05,
        )
    _over(c, _rect(a, b, -0.68 * w, 0.68 * w, 0.80 * h, 0.82 * h, px), 0.12, 0.12, 0.13)
    _over(c, _rect(a, b, -0.36 * w, 0.36 * w, 0.82 * h, 0.92 * h, px), 0.30, 0.36, 0.38)
    _over(c, _rect(a, b, -0.05 * w, 0.05 * w, 0.82 * h, 0.92 * h, px), 0.10, 0.10, 0.10)
    cap = 0.42 * w * (1.0 - (b - 0.92 * h) / (0.08 * h))
    _over(c, _in(b, 0.92 * h, h, px) * _in(a, -cap, cap, px), 0.40, 0.05, 0.04)


@njit(cache=True, nogil=True)
def _church(c: NDArray[np.float64], a: float, b: float, w: float, h: float, px: float) -> None:
    """A nave with a slate roof and a square tower with a pointed spire."""
    stain = 1.0 + 0.10 * _grain(a, b, 0.15 * w, px, 37)
    roof = _in(b, 0.24 * h, 0.42 * h, px) * _in(
        a, -0.28 * w + 0.2 * (b - 0.24 * h), w - 0.2 * (b - 0.24 * h), px
    )
    _over(c, roof, 0.15 * stain, 0.16 * stain, 0.19 * stain)
    _over(c, _rect(a, b, -0.3 * w, 0.96 * w, 0.0, 0.24 * h, px), 0.55 * stain, 0.52 * stain, 0.46 * stain)
    for k in range(4):
        x = (0.0 + 0.26 * k) * w
        _over(c, _rect(a, b, x - 0.04 * w, x + 0.04 * w, 0.06 * h, 0.19 * h, px), 0.06, 0.07, 0.10)
    _over(c, _rect(a, b, -0.85 * w, -0.30 * w, 0.0, 0.60 * h, px), 0.66 * stain, 0.62 * stain, 0.55 * stain)
    _over(c, _rect(a, b, -0.64 * w, -0.51 * w, 0.44 * h, 0.54 * h, px), 0.05, 0.05, 0.06)
    half = 0.30 * w * (1.0 - (b - 0.60 * h) / (0.40 * h))
    _over(
        c,
        _in(b, 0.60 * h, h, px) * _in(a + 0.575 * w, -half, half, px),
        0.17 * stain,
        0.21 * stain,
        0.22 * stain,
    )


@njit(cache=True, nogil=True)
def _facade(c: NDArray[np.float64], a: float, b: float, w: float, h: float, px: float) -> None:
    """Storeys of one and the same window without end; only faint stains tell one from the next."""
    stain = 1.0 + 0.018 * _grain(a, b, 0.03, px, 53)
    _over(c, _rect(a, b, -w, w, 0.0, h, px), 0.56 * stain, 0.50 * stain, 0.42 * stain)
    period = 0.052
    x = a - period * math.floor(a / period) - 0.5 * period
    storey = min(max(math.floor((b / h - 0.02) / 0.235), 0), 3)  # the only one near this b
    y0 = h * (0.06 + 0.235 * storey)
    y1 = y0 + 0.15 * h
    frame = _rect(x, b, -0.30 * period, 0.30 * period, y0 - 0.012 * h, y1 + 0.012 * h, px) * _in(a, -w, w, px)
    if frame > 0.0:
        _over(c, frame, 0.80, 0.78, 0.72)
        _over(c, frame * _rect(x, b, -0.24 * period, 0.24 * period, y0, y1, px), 0.06, 0.08, 0.11)
        _over(c, frame * _rect(x, b, -0.02 * period, 0.02 * period, y0, y1, px), 0.75, 0.74, 0.70)
        b0, b1 = 0.62 * y1 + 0.38 * y0, 0.66 * y1 + 0.34 * y0
        _over(c, frame * _rect(x, b, -0.24 * period, 0.24 * period, b0, b1, px), 0.75, 0.74, 0.70)
    _over(c, _rect(a, b, -w, w, 0.955 * h, h, px), 0.36, 0.31, 0.26)


@njit(cache=True, nogil=True)
def _fence(c: NDArray[np.float64], a: float, b: float, w: float, h: float, px: float) -> None:
    """Posts and two rails, all alike."""
    period = 0.026
    x = a - period * math.floor(a / period) - 0.5 * period
    post = _rect(x, b, -0.16 * period, 0.16 * period, 0.0, h, px) * _in(a, -w, w, px)
    rail = (_in(b, 0.32 * h, 0.44 * h, px) + _in(b, 0.68 * h, 0.80 * h, px)) * _in(a, -w, w, px)
    _over(c, rail, 0.40, 0.36, 0.30)
    _over(c, post, 0.60, 0.56, 0.50)


@njit(inline="always")
def _stroke(a: float, b: float, a0: float, b0: float, a1: float, b1: float, half: float, px: float) -> float:
    """Share of a pixel under a stroke with round ends from (a0, b0) to (a1, b1), `half` wide either side."""
    da, db = a1 - a0, b1 - b0
    t = ((a - a0) * da + (b - b0) * db) / (da * da + db * db + 1e-18)
    t = min(max(t, 0.0), 1.0)
    d = math.hypot(a - a0 - t * da, b - b0 - t * db)
    return min(max((half - d) * px + 0.5, 0.0), 1.0)


@njit(cache=True, nogil=True)
def _walker(
    c: NDArray[np.float64], a: float, b: float, h: float, look: float, phase: float, px: float
) -> None:
    """A person walking: boots, dark trousers, a jacket of a colour of their own, rucksack, head and cap."""
    heading = 1.0 if phase >= 0.0 else -1.0
    x, y = a * heading / h, b / h
    p = px * h
    stride = math.sin(2.0 * math.pi * abs(phase))
    # jacket colours around the hue circle
    r = 0.5 + 0.5 * math.cos(2.0 * math.pi * look)
    g = 0.5 + 0.5 * math.cos(2.0 * math.pi * (look - 1.0 / 3.0))
    bl = 0.5 + 0.5 * math.cos(2.0 * math.pi * (look - 2.0 / 3.0))
    fold = 1.0 + 0.25 * (_in(math.sin(60.0 * y + 9.0 * x), 0.3, 2.0, 4.0) - 0.5)
    _over(c, _stroke(x, y, -0.01, 0.48, -0.085 * stride, 0.05, 0.040, p), 0.022, 0.024, 0.032)
    _over(c, _stroke(x, y, 0.01, 0.48, 0.085 * stride, 0.05, 0.042, p), 0.030, 0.032, 0.042)
    _over(
        c,
        _stroke(x, y, 0.085 * stride - 0.02, 0.022, 0.085 * stride + 0.04, 0.022, 0.022, p),
        0.10,
        0.05,
        0.02,
    )
    _over(
        c,
        _stroke(x, y, -0.085 * stride - 0.02, 0.022, -0.085 * stride + 0.04, 0.022, 0.022, p),
        0.08,
        0.04,
        0.02,
    )
    _over(c, _stroke(x, y, -0.085, 0.60, -0.085, 0.74, 0.055, p), 0.80, 0.76, 0.68)
    _over(
        c, _stroke(x, y, 0.0, 0.54, 0.0, 0.74, 0.075, p), 0.75 * r * fold, 0.75 * g * fold, 0.75 * bl * fold
    )
    _over(c, _stroke(x, y, 0.02, 0.75, 0.02 - 0.07 * stride, 0.52, 0.030, p), 0.45 * r, 0.45 * g, 0.45 * bl)
    _over(c, _stroke(x, y, 0.0, 0.90, 0.006, 0.925, 0.050, p), 0.52, 0.33, 0.24)
    _over(c, _stroke(x, y, -0.015, 0.955, 0.045, 0.95, 0.024, p), 0.90, 0.88, 0.84)


@njit(cache=True, nogil=True)
def _draw(
    light: NDArray[np.float32],
    first_row: int,
    box: NDArray[np.int64],
    focal: float,
    pp: NDArray[np.float64],
    rot: NDArray[np.float64],
    table: NDArray[np.float64],
    radius2: float,
    centre: NDArray[np.float64],
    thing: NDArray[np.float64],
    kind: int,
    detail: float,
    labels: NDArray[np.uint8],
    label: int,
) -> None:
    """Draw one thing within a box of pixels: every ray is cut with its plane."""
    sin_y, cos_y = math.sin(thing[0]), math.cos(thing[0])
    foot, distance, w, h, look, phase = thing[1], thing[2], thing[3], thing[4], thing[5], thing[6]
    c = np.empty(4)
    for j in range(box[1], box[3]):
        for i in range(box[0], box[2]):
            dx, dy, dz = unit_ray(float(i), float(first_row + j), focal, pp, rot, table, radius2)
            ahead = dx * sin_y + dz * cos_y
            if ahead <= 1e-6:
                continue
            s = (distance - centre[0] * sin_y - centre[2] * cos_y) / ahead
            x, y, z = centre[0] + s * dx, centre[1] + s * dy, centre[2] + s * dz
            a = (x * cos_y - z * sin_y) / distance
            b = -y / distance - foot
            px = detail * ahead  # a pixel spans more of the plane away from its middle
            c[:] = 0.0
            if kind == HOUSE:
                _house(c, a, b, w, h, look, px)
            elif kind == LIGHTHOUSE:
                _lighthouse(c, a, b, w, h, px)
            elif kind == CHURCH:
                _church(c, a, b, w, h, px)
            elif kind == FACADE:
                _facade(c, a, b, w, h, px)
            elif kind == FENCE:
                _fence(c, a, b, w, h, px)
            else:
                _walker(c, a, b, h, look, phase, px)
            keep = 1.0 - c[3]
            if keep < 1.0:
                light[j, i, 0] = light[j, i, 0] * keep + c[0]
                light[j, i, 1] = light[j, i, 1] * keep + c[1]
                light[j, i, 2] = light[j, i, 2] * keep + c[2]
                if label > 0 and keep < 0.5:
                    labels[j, i] = label
