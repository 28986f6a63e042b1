"""Least-squares matching of one patch: whole-pixel trials, then sub-pixel shift, gain, offset and slope.

The slope is what a lens' vignetting, and a curve that is not undone, do to brightness across a patch. Left
out, it passes for a shift where texture is soft: by 1 px in clouds, with patches of 200 px.
"""

from __future__ import annotations

import math

import numba as nb
import numpy as np
from numpy.typing import NDArray

_NOISE_OF_SLOPES = 0.25
"""Variance that noise adds to a slope (half the difference of two neighbours), over that of the difference of
two equally noisy patches."""
_PARAMETERS = 6  # shift, gain, offset and slope
_LEAST_TEXTURE = 0.1  # share of the slopes' squares that must be left when noise is taken off


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
        one sigma of the shift a coordinate, px. Likeness is -1 where the match fails. What noise adds to the
        patch's slopes is taken off before sigma is told from them: in soft cloud it is most of them.

    References
    ----------
    A. W. Gruen, Adaptive least squares correlation: a powerful image matching technique, South African
    Journal of Photogrammetry, Remote Sensing and Cartography 14(3), 1985; here with shift, gain, offset and
    slope, the shape being known from the cameras.
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
    # Gruen's adjustment: a = gain * b(x + shift) + offset + slope . x, the last two projected out
    level_a = _flattened(a.astype(np.float64))
    var_a = np.sum(level_a * level_a)
    if var_a <= 0.0:
        return 0.0, 0.0, -1.0, 0.0
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
        level_b = _flattened(values[1:-1, 1:-1])
        along = _flattened(0.5 * (values[1:-1, 2:] - values[1:-1, :-2]))
        down = _flattened(0.5 * (values[2:, 1:-1] - values[:-2, 1:-1]))
        s2 = np.sum(level_b * level_b)
        if s2 <= 1e-9:
            return 0.0, 0.0, -1.0, 0.0
        cross = np.sum(level_b * level_a)
        likeness = cross / math.sqrt(s2 * var_a)
        gain = cross / s2
        if gain <= 0.05 or likeness < 0.3:
            return 0.0, 0.0, -1.0, 0.0
        nxx = nxy = nyy = rx = ry = rr = 0.0
        for j in range(size):
            for i in range(size):
                gx, gy = gain * along[j, i], gain * down[j, i]
                e = level_a[j, i] - gain * level_b[j, i]
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
        sigma = _sigma(nxx, nxy, nyy, rr / (n - _PARAMETERS), n)
        step = math.hypot(ux, uy)
        if step > 1.0:
            ux, uy = ux / step, uy / step
        tx += ux
        ty += uy
        if abs(tx - sx) > 1.5 or abs(ty - sy) > 1.5:
            return 0.0, 0.0, -1.0, 0.0
        if step < 0.003:
            break
    if sigma < 0.0:
        return 0.0, 0.0, -1.0, 0.0
    dx = affine[0, 0] * tx + affine[0, 1] * ty
    dy = affine[1, 0] * tx + affine[1, 1] * ty
    return dx, dy, likeness, sigma


@nb.njit(cache=True, nogil=True)
def _flattened(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of a square patch less their mean and their slope along and down."""
    size = values.shape[0]
    h = size // 2
    total = along = down = squares = 0.0
    for j in range(size):
        for i in range(size):
            v = values[j, i]
            total += v
            along += v * (i - h)
            down += v * (j - h)
        squares += (j - h) ** 2
    n = size * size
    mean, along, down = total / n, along / (size * squares), down / (size * squares)
    out = np.empty((size, size))
    for j in range(size):
        for i in range(size):
            out[j, i] = values[j, i] - mean - along * (i - h) - down * (j - h)
    return out


@nb.njit(cache=True, nogil=True)
def _sigma(nxx: float, nxy: float, nyy: float, variance: float, n: int) -> float:
    """One sigma of the shift a coordinate, px; -1 where the slopes hold too little beyond noise.

    The shift is where sum(slope * difference) is 0. How fast that changes with the shift goes with the
    squares of texture's slopes alone; its variance with those of noise too, but only against the other
    patch's noise, which is half of the difference's.
    """
    noise = _NOISE_OF_SLOPES * variance * n
    mean, half = 0.5 * (nxx + nyy), math.hypot(0.5 * (nxx - nyy), nxy)
    large, small = mean + half, mean - half
    if small - noise < _LEAST_TEXTURE * small:
        return -1.0
    inverse = (large - 0.5 * noise) / (large - noise) ** 2 + (small - 0.5 * noise) / (small - noise) ** 2
    return math.sqrt(0.5 * variance * inverse)
