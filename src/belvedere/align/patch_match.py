"""Least-squares matching of one patch: a few whole-pixel trials, then sub-pixel shift, gain and offset."""

from __future__ import annotations

import math

import numba as nb
import numpy as np
from numpy.typing import NDArray


@nb.njit(cache=True, nogil=True)
def _cubic(image: NDArray[np.float32], x: float, y: float) -> float:
    """Cubic convolution (Keys 1981, a = -1/2); the caller keeps (x, y) two pixels from the border."""
    ix, iy = math.floor(x), math.floor(y)
    fx, fy = x - ix, y - iy
    total = 0.0
    for r in range(-1, 3):
        row = 0.0
        for c in range(-1, 3):
            t = abs(fx - c)
            if t < 1.0:
                w = (1.5 * t - 2.5) * t * t + 1.0
            elif t < 2.0:
                w = ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
            else:
                w = 0.0
            row += w * image[iy + r, ix + c]
        t = abs(fy - r)
        if t < 1.0:
            w = (1.5 * t - 2.5) * t * t + 1.0
        elif t < 2.0:
            w = ((-0.5 * t + 2.5) * t - 4.0) * t + 2.0
        else:
            w = 0.0
        total += w * row
    return total


@nb.njit(cache=True, nogil=True)
def match_patch(
    a: NDArray[np.float32],
    b: NDArray[np.float32],
    bx: float,
    by: float,
    affine: NDArray[np.float64],
    search: int,
) -> tuple[float, float, float, float]:
    """Find patch `a` in window `b`.

    Parameters
    ----------
    a : ndarray of shape (2h + 1, 2h + 1), float32
        The patch, grey; its centre is the detail sought.
    b : ndarray of float32
        Window of the other frame.
    bx, by : float
        Predicted position of the detail in `b`, px.
    affine : ndarray of shape (2, 2)
        Offsets in `a` to offsets in `b`.
    search : int
        Largest shift tried, px of `a`.

    Returns
    -------
    dx, dy, likeness, sigma : float
        Shift of the detail from the prediction in px of `b`; correlation of the patches (-1 to 1) after it;
        one sigma of the shift a coordinate, px. Likeness is -1 where the match fails.

    References
    ----------
    A. W. Gruen, Adaptive least squares correlation: a powerful image matching technique, South African
    Journal of Photogrammetry, Remote Sensing and Cartography 14(3), 1985; here with shift, gain and offset,
    the shape being known from the cameras.
    """
    h = a.shape[0] // 2
    size = 2 * h + 1
    wide = size + 2 * search
    rows, columns = b.shape
    patch = np.empty((wide, wide))
    for j in range(wide):
        for i in range(wide):
            ox, oy = i - h - search, j - h - search
            x = bx + affine[0, 0] * ox + affine[0, 1] * oy
            y = by + affine[1, 0] * ox + affine[1, 1] * oy
            if x < 2.0 or y < 2.0 or x > columns - 4.0 or y > rows - 4.0:
                return 0.0, 0.0, -1.0, 0.0
            patch[j, i] = _cubic(b, x, y)
    n = size * size
    mean_a = 0.0
    for j in range(size):
        for i in range(size):
            mean_a += a[j, i]
    mean_a /= n
    var_a = 0.0
    for j in range(size):
        for i in range(size):
            var_a += (a[j, i] - mean_a) ** 2
    if var_a <= 0.0:
        return 0.0, 0.0, -1.0, 0.0
    best, sx, sy = -2.0, 0, 0
    for dy in range(2 * search + 1):
        for dx in range(2 * search + 1):
            s = s2 = cross = 0.0
            for j in range(size):
                for i in range(size):
                    v = patch[j + dy, i + dx]
                    s += v
                    s2 += v * v
                    cross += v * (a[j, i] - mean_a)
            var = s2 - s * s / n
            if var <= 1e-9:
                continue
            c = cross / math.sqrt(var * var_a)
            if c > best:
                best, sx, sy = c, dx - search, dy - search
    if best < 0.3 or abs(sx) == search or abs(sy) == search:
        return 0.0, 0.0, -1.0, 0.0
    # Gruen's adjustment: a = gain * b(x + shift) + offset
    tx, ty = float(sx), float(sy)
    values = np.empty((size + 2, size + 2))
    likeness, sigma = -1.0, 0.0
    for _ in range(8):
        for j in range(size + 2):
            for i in range(size + 2):
                ox, oy = i - h - 1 + tx, j - h - 1 + ty
                x = bx + affine[0, 0] * ox + affine[0, 1] * oy
                y = by + affine[1, 0] * ox + affine[1, 1] * oy
                if x < 2.0 or y < 2.0 or x > columns - 4.0 or y > rows - 4.0:
                    return 0.0, 0.0, -1.0, 0.0
                values[j, i] = _cubic(b, x, y)
        mean_b = s2 = cross = gx_m = gy_m = 0.0
        for j in range(size):
            for i in range(size):
                mean_b += values[j + 1, i + 1]
                gx_m += 0.5 * (values[j + 1, i + 2] - values[j + 1, i])
                gy_m += 0.5 * (values[j + 2, i + 1] - values[j, i + 1])
        mean_b /= n
        gx_m /= n
        gy_m /= n
        for j in range(size):
            for i in range(size):
                d = values[j + 1, i + 1] - mean_b
                s2 += d * d
                cross += d * (a[j, i] - mean_a)
        if s2 <= 1e-9:
            return 0.0, 0.0, -1.0, 0.0
        likeness = cross / math.sqrt(s2 * var_a)
        gain = cross / s2
        if gain <= 0.05 or likeness < 0.3:
            return 0.0, 0.0, -1.0, 0.0
        nxx = nxy = nyy = rx = ry = rr = 0.0
        for j in range(size):
            for i in range(size):
                gx = gain * (0.5 * (values[j + 1, i + 2] - values[j + 1, i]) - gx_m)
                gy = gain * (0.5 * (values[j + 2, i + 1] - values[j, i + 1]) - gy_m)
                e = (a[j, i] - mean_a) - gain * (values[j + 1, i + 1] - mean_b)
                nxx += gx * gx
                nxy += gx * gy
                nyy += gy * gy
                rx += gx * e
                ry += gy * e
                rr += e * e
        det = nxx * nyy - nxy * nxy
        if det <= 1e-6 * nxx * nyy or det <= 0.0:
            return 0.0, 0.0, -1.0, 0.0
        ux = (nyy * rx - nxy * ry) / det
        uy = (nxx * ry - nxy * rx) / det
        sigma = math.sqrt(rr / (n - 4) * 0.5 * (nxx + nyy) / det)
        step = math.hypot(ux, uy)
        if step > 1.0:
            ux, uy = ux / step, uy / step
        tx += ux
        ty += uy
        if abs(tx - sx) > 1.5 or abs(ty - sy) > 1.5:
            return 0.0, 0.0, -1.0, 0.0
        if step < 0.003:
            break
    dx = affine[0, 0] * tx + affine[0, 1] * ty
    dy = affine[1, 0] * tx + affine[1, 1] * ty
    return dx, dy, likeness, sigma
