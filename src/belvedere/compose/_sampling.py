"""The engine room of sample.py: positions of plate pixels in a frame, and the light found there."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose._lanes import ROW_LANES, weigh_taps

STEPS = 1024  # positions are whole multiples of 1/1024 px
BEYOND = 8  # px past the border at which positions stop: every tap there already reads the border pixel
INVALID, OUTSIDE, ON_FRAME = 0, 1, 2


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def locate(
    columns: NDArray[np.float64],
    rows: NDArray[np.float64],
    turn: NDArray[np.float64],
    lens: NDArray[np.float64],
    offsets: NDArray[np.float64],
    u: NDArray[np.int32],
    v: NDArray[np.int32],
    state: NDArray[np.uint8],
) -> None:
    """Find where the plate's pixels lie in a frame, in whole 1/1024 px.

    A plate pixel's direction is (c0 r0, c2 r1, c1 r0 - r2) up to length, from three numbers of its column
    and three of its row, so that no function of an angle is evaluated per pixel; column 3 of each is 0
    where the projection has no direction. Only sums, products, quotients of float64, in this order: the
    same bits whether or not the loop is run in vector lanes.

    Parameters
    ----------
    columns : ndarray of shape (4, w); rows : ndarray of shape (h, 4)
    turn : ndarray of shape (3, 3), plate to camera
    lens : ndarray (width, height, f, cx, cy, k1, k2, k3, square of the radius limit)
    offsets : ndarray of shape (gh, gw, 2), px: displacement grid from corner to corner, or (0, 0, 2) for none
    u, v : ndarray of shape (h, w), int32, out
    state : ndarray of shape (h, w), uint8, out: INVALID, OUTSIDE or ON_FRAME
    """
    h, w = state.shape
    width, height, f, cx, cy = lens[0], lens[1], lens[2], lens[3], lens[4]
    k1, k2, k3, limit2 = lens[5], lens[6], lens[7], lens[8]
    m00, m01, m02 = turn[0, 0], turn[0, 1], turn[0, 2]
    m10, m11, m12 = turn[1, 0], turn[1, 1], turn[1, 2]
    m20, m21, m22 = turn[2, 0], turn[2, 1], turn[2, 2]
    bent = offsets.shape[0] > 0
    us, vs, seen = np.empty(w), np.empty(w), np.empty(w)
    far = -float(BEYOND)
    far_u, far_v = width + (BEYOND - 1.0), height + (BEYOND - 1.0)
    for j in range(h):
        r0, r1, r2, row_ok = rows[j, 0], rows[j, 1], rows[j, 2], rows[j, 3]
        for i in range(w):
            x = columns[0, i] * r0
            y = columns[2, i] * r1
            z = columns[1, i] * r0 - r2
            zc = m20 * x + m21 * y + m22 * z
            front = zc > 1e-9
            zs = zc if front else 1.0
            xn = (m00 * x + m01 * y + m02 * z) / zs
            yn = (m10 * x + m11 * y + m12 * z) / zs
            q = xn * xn + yn * yn
            d = 1.0 + q * (k1 + q * (k2 + q * k3))
            us[i] = cx + f * xn * d
            vs[i] = cy + f * yn * d
            seen[i] = row_ok * columns[3, i] if front & (q < limit2) else 0.0
        if bent:
            for i in range(w):
                du, dv = displaced(offsets, us[i], vs[i], width, height)
                us[i] += du
                vs[i] += dv
        for i in range(w):
            ok = seen[i] > 0.0
            uu = us[i] if ok else 0.0
            vv = vs[i] if ok else 0.0
            on = ok & (uu >= -0.5) & (uu <= width - 0.5) & (vv >= -0.5) & (vv <= height - 0.5)
            uu = min(max(uu, far), far_u)
            vv = min(max(vv, far), far_v)
            u[j, i] = np.int32(np.floor(uu * STEPS + 0.5))
            v[j, i] = np.int32(np.floor(vv * STEPS + 0.5))
            state[j, i] = np.uint8(ok) + np.uint8(on)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def displaced(
    offsets: NDArray[np.float64], u: float, v: float, width: float, height: float
) -> tuple[float, float]:
    """The displacement at (u, v), px: bilinear on a grid whose corners are the frame's corner pixels."""
    gh, gw = offsets.shape[0], offsets.shape[1]
    x = min(max(u / max(width - 1.0, 1.0), 0.0), 1.0) * (gw - 1)
    y = min(max(v / max(height - 1.0, 1.0), 0.0), 1.0) * (gh - 1)
    i = min(int(x), max(gw - 2, 0))
    j = min(int(y), max(gh - 2, 0))
    i1, j1 = min(i + 1, gw - 1), min(j + 1, gh - 1)
    a, b = x - i, y - j
    w00, w01, w10, w11 = (1.0 - a) * (1.0 - b), a * (1.0 - b), (1.0 - a) * b, a * b
    du = w00 * offsets[j, i, 0] + w01 * offsets[j, i1, 0] + w10 * offsets[j1, i, 0] + w11 * offsets[j1, i1, 0]
    dv = w00 * offsets[j, i, 1] + w01 * offsets[j, i1, 1] + w10 * offsets[j1, i, 1] + w11 * offsets[j1, i1, 1]
    return du, dv


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def extent(u: NDArray[np.int32], v: NDArray[np.int32], state: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Smallest and largest u and v (1/1024 px) over the pixels that are not INVALID; u0 > u1 if none."""
    big = 2**31 - 1
    u0, u1, v0, v1 = big, -big, big, -big
    h, w = state.shape
    for j in range(h):
        for i in range(w):
            ok = state[j, i] != INVALID
            u0 = min(u0, u[j, i] if ok else big)
            u1 = max(u1, u[j, i] if ok else -big)
            v0 = min(v0, v[j, i] if ok else big)
            v1 = max(v1, v[j, i] if ok else -big)
    return u0, u1, v0, v1


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def draw(
    source: NDArray[np.uint8],
    stride: int,
    origin_x: int,
    origin_y: int,
    white: float,
    u: NDArray[np.int32],
    v: NDArray[np.int32],
    state: NDArray[np.uint8],
    wx: NDArray[np.float32],
    wy: NDArray[np.float32],
    table: NDArray[np.float32],
    light: NDArray[np.float32],
    matrix: NDArray[np.float32] | None,
    neutral: NDArray[np.float32] | None,
    colour: NDArray[np.float32],
) -> None:
    """Interpolate the codes at (u, v) and turn them into scene light.

    Compiled once with a matrix and once without, and likewise a neutral (an argument that is None leaves no
    branch behind), so that frames whose primaries are the picture's pay nothing for the others.

    Parameters
    ----------
    source : ndarray of uint8 or uint16, flat
        Window of the frame, rows `stride` elements apart, from the frame's pixel (origin_x, origin_y) on;
        reaches all taps of all pixels that are not INVALID.
    white : float
        Largest code value: 255 or 65535.
    table : ndarray of shape (1025,)
        Linear light of codes 0 to 1.
    light : ndarray of 12 float32
        Factors of r, g, b; vignetting a1, a2, a3; per 1/1024 px: cx, cy, 1 / half diagonal; fade from,
        1 / fade width (codes); common factor.
    matrix : ndarray of shape (3, 3), float32, or None
        From the frame's linear light to the picture's primaries.
    neutral : ndarray of 6 float32, or None
        White in the picture's primaries, and 1 / white in the frame's own: what clipped light fades to. None:
        it fades to the common factor.
    colour : ndarray of shape (h, w, 3), out
    """
    h, w = state.shape
    codes = np.zeros(4 * w, np.float32)
    zero, one = np.float32(0.0), np.float32(1.0)
    top = np.float32(1024.0)
    scale = top / np.float32(white)
    f0, f1, f2 = light[0], light[1], light[2]
    a1, a2, a3 = light[3], light[4], light[5]
    cx, cy, unit = light[6], light[7], light[8]
    fade_from, fade_by, common = light[9], light[10], light[11]
    if matrix is not None:
        m00, m01, m02 = matrix[0, 0], matrix[0, 1], matrix[0, 2]
        m10, m11, m12 = matrix[1, 0], matrix[1, 1], matrix[1, 2]
        m20, m21, m22 = matrix[2, 0], matrix[2, 1], matrix[2, 2]
    for j in range(h):
        for i in range(w):
            if state[j, i] != INVALID:
                uu, vv = np.int64(u[j, i]), np.int64(v[j, i])
                at = ((vv >> 10) - 2 - origin_y) * stride + ((uu >> 10) - 2 - origin_x) * 3
                weigh_taps(
                    source,
                    at,
                    stride,
                    wx,
                    (uu & 1023) * ROW_LANES,
                    wy,
                    (vv & 1023) * 6,
                    codes,
                    np.int64(4 * i),
                )
        for i in range(w):
            du = (np.float32(u[j, i]) - cx) * unit
            dv = (np.float32(v[j, i]) - cy) * unit
            q = du * du + dv * dv
            fall = one / (one + q * (a1 + q * (a2 + q * a3)))
            fall = fall if state[j, i] != INVALID else zero
            c0 = min(max(codes[4 * i] * scale, zero), top)
            c1 = min(max(codes[4 * i + 1] * scale, zero), top)
            c2 = min(max(codes[4 * i + 2] * scale, zero), top)
            t = min(max((max(c0, max(c1, c2)) - fade_from) * fade_by, zero), one)
            i0 = min(np.int32(c0), np.int32(1023))
            i1 = min(np.int32(c1), np.int32(1023))
            i2 = min(np.int32(c2), np.int32(1023))
            l0 = table[i0] + (c0 - np.float32(i0)) * (table[i0 + 1] - table[i0])
            l1 = table[i1] + (c1 - np.float32(i1)) * (table[i1 + 1] - table[i1])
            l2 = table[i2] + (c2 - np.float32(i2)) * (table[i2 + 1] - table[i2])
            if neutral is not None:
                bright = max(l0 * neutral[3], max(l1 * neutral[4], l2 * neutral[5]))
            if matrix is not None:
                r, g, b = l0, l1, l2
                l0 = m00 * r + m01 * g + m02 * b
                l1 = m10 * r + m11 * g + m12 * b
                l2 = m20 * r + m21 * g + m22 * b
            if neutral is not None:
                l0 += t * (bright * neutral[0] - l0)
                l1 += t * (bright * neutral[1] - l1)
                l2 += t * (bright * neutral[2] - l2)
            colour[j, i, 0] = l0 * ((f0 + t * (common - f0)) * fall)
            colour[j, i, 1] = l1 * ((f1 + t * (common - f1)) * fall)
            colour[j, i, 2] = l2 * ((f2 + t * (common - f2)) * fall)
