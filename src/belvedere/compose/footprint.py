"""Which rectangles of a plate a camera may cover: two at the wrap, a band over a pole; never too small."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

_PER_SIDE = 128  # points along each side of the frame's border
# Plate directions that a plane projection may throw to infinity: behind, below, above.
_SINGULAR = np.array([[0.0, 0.0, -1.0], [0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])


class PlateRect(NamedTuple):
    """Plate pixels x0 <= x < x1, y0 <= y < y1; never empty."""

    x0: int
    y0: int
    x1: int
    y1: int


def footprint(camera: Camera, plate: Plate, margin_px: float = 0.0) -> tuple[PlateRect, ...]:
    """Rectangles of the plate outside which the camera sees nothing.

    The picture of the frame's border bounds the picture of the frame, unless a pole of a cylinder-based
    projection lies inside: then the border winds once about it, and the footprint is a band across the
    whole turn. Between the border's sample points the bound is widened by the larger of their spacings.

    Parameters
    ----------
    camera : Camera
        The frame's camera.
    plate : Plate
        The plate; rectangles are cut to it.
    margin_px : float
        Further plate px on every side, >= 0.

    Returns
    -------
    rectangles : tuple of PlateRect
        Empty where the camera does not meet the plate; they do not overlap on a plate that wraps.
    """
    rays = camera.rays(_border(camera)) @ plate.pose
    if plate.projection in ("equirectangular", "cylindrical", "mercator"):
        return _on_a_cylinder(rays, plate, margin_px)
    points = plate.points(rays @ plate.pose.T)
    finite = np.isfinite(points).all(axis=-1)
    if not finite.any():  # the frame is a convex cone: nothing of it lies in the projection's domain
        return ()
    _, singular = camera.project(_SINGULAR @ plate.pose.T)
    if not finite.all() or singular.any():  # the picture goes to infinity: no bound but the plate's own
        return (PlateRect(0, 0, plate.width, plate.height),)
    low, high = points.min(axis=0), points.max(axis=0)
    pad = margin_px + 1.0 + np.abs(np.diff(points, axis=0)).max()
    return _cut(plate, low[0] - pad, high[0] + pad, low[1] - pad, high[1] + pad)


def meets(rectangles: Sequence[PlateRect], x0: int, y0: int, x1: int, y1: int) -> bool:
    """Whether any of the rectangles shares a pixel with x0 <= x < x1, y0 <= y < y1."""
    return any(r.x0 < x1 and x0 < r.x1 and r.y0 < y1 and y0 < r.y1 for r in rectangles)


def _border(camera: Camera) -> NDArray[np.float64]:
    """Points along the outline of the frame's pixel areas, closed: (4 n + 1, 2)."""
    t = np.arange(_PER_SIDE) / _PER_SIDE
    left, top, right, bottom = -0.5, -0.5, camera.width - 0.5, camera.height - 0.5
    x = left + t * (right - left)
    y = top + t * (bottom - top)
    ones = np.ones(_PER_SIDE)
    sides = [
        np.stack([x, top * ones], axis=-1),
        np.stack([right * ones, y], axis=-1),
        np.stack([x[::-1] + (right - left) / _PER_SIDE, bottom * ones], axis=-1),
        np.stack([left * ones, y[::-1] + (bottom - top) / _PER_SIDE], axis=-1),
        np.array([[left, top]]),
    ]
    return np.concatenate(sides)


def _on_a_cylinder(rays: NDArray[np.float64], plate: Plate, margin_px: float) -> tuple[PlateRect, ...]:
    """The footprint where plate columns are yaw; `rays` are plate directions of the closed border."""
    yaw = np.unwrap(np.arctan2(rays[:, 0], rays[:, 2]))
    down = np.arctan2(rays[:, 1], np.hypot(rays[:, 0], rays[:, 2]))
    gap, step = (float(np.abs(np.diff(angle)).max()) for angle in (down, yaw))
    low, high = float(down.min()) - gap, float(down.max()) + gap
    if abs(float(yaw[-1] - yaw[0])) > math.pi:  # the border winds about the pole on its own side
        if float(rays[:, 1].mean()) > 0.0:
            high = math.inf
        else:
            low = -math.inf
    pad = margin_px + 1.0
    y0, y1 = _row(plate, low) - pad, _row(plate, high) + pad
    x0 = plate.centre[0] + plate.pixels_per_radian * (float(yaw.min()) - step) - pad
    x1 = plate.centre[0] + plate.pixels_per_radian * (float(yaw.max()) + step) + pad
    turn = 2.0 * math.pi * plate.pixels_per_radian
    if x1 - x0 >= turn - 4.0:  # so it is where the border winds about a pole or comes close to one
        return _cut(plate, -math.inf, math.inf, y0, y1)
    out: list[PlateRect] = []
    for k in range(math.floor(-x1 / turn), math.ceil((plate.width - x0) / turn) + 1):
        out += _cut(plate, x0 + k * turn, x1 + k * turn, y0, y1)
    return tuple(out)


def _row(plate: Plate, down: float) -> float:
    """The plate row of directions `down` radians below the plate's equator, cut at the poles; may be inf."""
    pole = abs(down) >= math.pi / 2 - 1e-9
    match plate.projection:
        case "equirectangular":
            y = max(min(down, math.pi / 2), -math.pi / 2)
        case "cylindrical":
            y = math.copysign(math.inf, down) if pole else math.tan(down)
        case _:
            y = math.copysign(math.inf, down) if pole else math.asinh(math.tan(down))
    return plate.centre[1] + plate.pixels_per_radian * y


def _cut(plate: Plate, x0: float, x1: float, y0: float, y1: float) -> tuple[PlateRect, ...]:
    """The plate's pixels within x0 <= x <= x1, y0 <= y <= y1 as a rectangle, () if there are none."""
    left, right = math.floor(max(x0, 0.0)), math.ceil(min(x1 + 1.0, plate.width))
    top, bottom = math.floor(max(y0, 0.0)), math.ceil(min(y1 + 1.0, plate.height))
    if left >= right or top >= bottom:
        return ()
    return (PlateRect(left, top, right, bottom),)
