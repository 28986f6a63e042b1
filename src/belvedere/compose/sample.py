"""Draw one frame on the plate: plate pixel -> direction -> camera -> code value -> scene light."""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.compose._lanes import column_weights, row_weights
from belvedere.compose._sampling import INVALID, ON_FRAME, STEPS, draw, extent, locate
from belvedere.compose.kernel import kernel_table, smooth_table
from belvedere.compose.light import FADE_FROM, FADE_TO, FrameLight
from belvedere.compose.piece import Piece
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate, pannini_yaw_limit

_STRIP_PX = 1 << 18  # pixels located at once; bounds the scratch, has no say in the result


def sample(
    source: FrameSource,
    frame: int,
    level: int,
    camera: Camera,
    light: FrameLight,
    plate: Plate,
    step: int,
    x0: int,
    y0: int,
    width: int,
    height: int,
    *,
    displacement: NDArray[np.float64] | None = None,
    smooth: bool = False,
) -> Piece:
    """Draw the plate's pixels ((x0 + i) step, (y0 + j) step) from one level of one frame.

    Each pixel is a pure function of its plate position: the same bits in every tile it may be part of.
    Positions are float64, rounded to 1/1024 px of the level before the window's origin is subtracted;
    codes are interpolated as encoded, then made linear, brought to the picture's primaries where they
    have others, and divided by what the camera did (`FrameLight`).

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    frame, level : int
        Which frame, and which of its levels.
    camera : Camera
        The frame's camera at full size.
    light : FrameLight
        The frame's light.
    plate : Plate
        What is drawn on. Where it wraps, columns count modulo its width.
    step : int
        Plate pixels per drawn pixel, a power of two.
    x0, y0, width, height : int
        The rectangle, in drawn pixels.
    displacement : ndarray of shape (gh, gw, 2), float64, or None
        Local refinement: px of the full frame added to (u, v), bilinear on a grid stretched from corner
        pixel to corner pixel. None is the identity.
    smooth : bool
        Draw with the low pass of `kernel.smooth_table`, not with the sharp kernel.

    Returns
    -------
    Piece
        coverage 1 where -0.5 <= u <= w - 0.5 and likewise v; beyond the border the edge-replicated value
        with coverage 0; behind the camera or beyond the lens model's growth not valid.
    """
    scaled = camera.scaled(level)
    turn = camera.rotation @ plate.pose
    lens = np.array(
        [
            scaled.width,
            scaled.height,
            scaled.focal_px,
            *scaled.principal_point,
            *scaled.distortion,
            camera.radius_limit**2,
        ]
    )
    offsets = np.zeros((0, 0, 2)) if displacement is None else displacement / 2.0**level
    columns = plate_columns(plate, step, x0, width)
    rows = plate_rows(plate, step, y0, height)
    table, factors, neutral = light.to_linear, _factors(light, level), _neutral(light)
    colour = np.zeros((height, width, 3), np.float32)
    state = np.empty((height, width), np.uint8)
    strip = max(1, _STRIP_PX // max(width, 1))
    for top in range(0, height, strip):
        part = slice(top, min(top + strip, height))
        here = state[part]
        u = np.empty(here.shape, np.int32)
        v = np.empty(here.shape, np.int32)
        locate(columns, rows[part], turn, lens, offsets, u, v, here)
        u0, u1, v0, v1 = extent(u, v, here)
        if u0 > u1:
            continue
        ox, oy = (u0 >> 10) - 2, (v0 >> 10) - 2
        pixels = source.window(frame, level, ox, oy, (u1 >> 10) + 4, (v1 >> 10) + 4)
        white = float(np.iinfo(pixels.dtype).max)
        wx, wy = _weights(smooth)
        codes: NDArray[Any] = pixels.reshape(-1)
        draw(
            codes,
            pixels.shape[1] * 3,
            ox,
            oy,
            white,
            u,
            v,
            here,
            wx,
            wy,
            table,
            factors,
            light.to_common,
            neutral,
            colour[part],
        )
    return Piece(colour, (state == ON_FRAME).astype(np.float32), state != INVALID)


def plate_columns(plate: Plate, step: int, x0: int, width: int) -> NDArray[np.float64]:
    """What a pixel's direction takes from its column: (4, width); see `_sampling.locate`.

    Sines come from the scalar library function one by one, never from a vector one whose last bit may
    depend on the place in the array.
    """
    x = (np.arange(x0, x0 + width, dtype=np.int64)) * step
    if plate.wraps:
        x %= plate.width
    a = (x.astype(np.float64) - plate.centre[0]) / plate.pixels_per_radian
    out = np.ones((4, width))
    match plate.projection:
        case "equirectangular" | "cylindrical" | "mercator":
            out[0] = [math.sin(t) for t in a.tolist()]
            out[1] = [math.cos(t) for t in a.tolist()]
        case "rectilinear":
            out[0] = a
        case "stereographic":
            out[0], out[1], out[2] = 4.0 * a, 4.0 - a * a, 4.0
        case "pannini":
            d = plate.d
            k = (a / (d + 1.0)) ** 2
            disc = k * k * d * d - (k + 1.0) * (k * d * d - 1.0)
            cos_yaw = (-k * d + np.sqrt(np.maximum(disc, 0.0))) / (k + 1.0)
            grown = (d + cos_yaw) / (d + 1.0)
            out[0], out[1], out[2] = a * grown, cos_yaw, grown
            out[3] = (disc >= 0.0) & (d + cos_yaw > 1e-9) & (cos_yaw > math.cos(pannini_yaw_limit(d)))
    return out


def plate_rows(plate: Plate, step: int, y0: int, height: int) -> NDArray[np.float64]:
    """What a pixel's direction takes from its row: (height, 4); see `_sampling.locate`."""
    y = np.arange(y0, y0 + height, dtype=np.int64) * step
    b = (y.astype(np.float64) - plate.centre[1]) / plate.pixels_per_radian
    out = np.ones((height, 4))
    out[:, 2] = 0.0
    out[:, 1] = b
    match plate.projection:
        case "equirectangular":
            out[:, 0] = [math.cos(t) for t in b.tolist()]
            out[:, 1] = [math.sin(t) for t in b.tolist()]
            out[:, 3] = np.abs(b) <= math.pi / 2 + 1e-12
        case "mercator":
            out[:, 1] = [math.sinh(t) if abs(t) < 30.0 else math.copysign(1e13, t) for t in b.tolist()]
        case "stereographic":
            out[:, 2] = b * b
        case _:
            pass
    return out


@cache
def _weights(smooth: bool) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    table = smooth_table() if smooth else kernel_table()
    return row_weights(table), column_weights(table)


def _neutral(light: FrameLight) -> NDArray[np.float32] | None:
    """White as `_sampling.draw` wants it: in the picture's primaries, then 1 / white in the frame's own."""
    if light.neutral is None or light.own_neutral is None:
        return None
    return np.array([*light.neutral, *(1.0 / n for n in light.own_neutral)], dtype=np.float32)


def _factors(light: FrameLight, level: int) -> NDArray[np.float32]:
    """The light's numbers as `_sampling.draw` wants them, radii per 1/1024 px of the level."""
    s = 2.0**level
    shift = (s - 1.0) / 2.0
    cx, cy = ((p - shift) / s * STEPS for p in light.principal_point)
    return np.array(
        [
            *light.factor,
            *light.vignetting,
            cx,
            cy,
            s / (light.half_diagonal_px * STEPS),
            FADE_FROM * 1024.0,
            1.0 / ((FADE_TO - FADE_FROM) * 1024.0),
            light.factor[1],
        ],
        dtype=np.float32,
    )
