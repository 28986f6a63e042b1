"""Lattice gradient noise: the grain every surface of the invented place is made of.

Noise of one octave is a function of position and seed alone (no state), so any two frames that look at the
same spot see the same detail. Gradient noise after Perlin, "An Image Synthesizer", SIGGRAPH 1985, with the
quintic fade of Perlin, "Improving Noise", SIGGRAPH 2002; the gradients come from an integer hash.
"""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

UNBOUNDED = 1 << 30
"""Number of cells for noise that does not close on itself."""


@njit(inline="always")
def hash32(a: int, b: int, seed: int) -> int:
    """Mix two 32-bit lattice indices and a seed into 32 well-stirred bits (uint32)."""
    h = np.uint32(a) * np.uint32(0x9E3779B1)
    h = np.uint32(h) ^ np.uint32(np.uint32(b) * np.uint32(0x85EBCA77)) ^ np.uint32(seed)
    h = np.uint32(h ^ (h >> np.uint32(15)))
    h = np.uint32(h * np.uint32(0x2C1B3C6D))
    h = np.uint32(h ^ (h >> np.uint32(13)))
    h = np.uint32(h * np.uint32(0x297A2D39))
    return np.uint32(h ^ (h >> np.uint32(15)))


@njit(inline="always")
def _corner(ix: int, iy: int, seed: int, dx: float, dy: float) -> float:
    """The corner's random gradient times the offset from it."""
    h = hash32(ix, iy, seed)
    gx = np.float32(np.int32(h & np.uint32(0xFFFF)) - np.int32(32768))
    gy = np.float32(np.int32(h >> np.uint32(16)) - np.int32(32768))
    return np.float32(gx * dx + gy * dy)


@njit(inline="always")
def noise2(x: float, y: float, cells: int, seed: int) -> float:
    """Gradient noise at (x, y), both in cells: zero mean, standard deviation about 0.5, float32.

    x closes on itself after `cells` cells (0 <= x < cells) unless `cells` is `UNBOUNDED`.
    """
    bx, by = math.floor(x), math.floor(y)
    fx, fy = np.float32(x - bx), np.float32(y - by)
    ix, iy = np.int32(bx), np.int32(by)
    n = np.int32(cells)
    if ix >= n:
        ix = np.int32(ix - n)
    jx = np.int32(ix + np.int32(1))
    if jx >= n:
        jx = np.int32(jx - n)
    jy = np.int32(iy + np.int32(1))
    one = np.float32(1.0)
    sx = fx * fx * fx * (fx * (fx * np.float32(6.0) - np.float32(15.0)) + np.float32(10.0))
    sy = fy * fy * fy * (fy * (fy * np.float32(6.0) - np.float32(15.0)) + np.float32(10.0))
    a = _corner(ix, iy, seed, fx, fy)
    b = _corner(jx, iy, seed, fx - one, fy)
    c = _corner(ix, jy, seed, fx, fy - one)
    d = _corner(jx, jy, seed, fx - one, fy - one)
    top = a + sx * (b - a)
    bottom = c + sx * (d - c)
    return (top + sy * (bottom - top)) * np.float32(2.2 / 32768.0)


@njit(cache=True, nogil=True)
def add_octave(
    out: NDArray[np.float32],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    shrink: NDArray[np.float32],
    n: int,
    scale_x: float,
    scale_y: float,
    cells: int,
    cell_px: float,
    amplitude: float,
    seed: int,
) -> None:
    """Add one octave at the first `n` positions, faded out where its cells are too small for the pixels.

    Parameters
    ----------
    out : ndarray of float32
        Sum so far; changed in place.
    x, y : ndarrays of float64
        Positions; cells are x * scale_x, y * scale_y.
    shrink : ndarray of float32
        Size of a cell as seen, as a factor on `cell_px`.
    cell_px : float
        Size of a cell in pixels at shrink 1. An octave is full from 2.4 px a cell, gone at 1.5.
    """
    cp = np.float32(cell_px)
    amp = np.float32(amplitude)
    zero, one = np.float32(0.0), np.float32(1.0)
    s = np.uint32(seed)
    for i in range(n):
        w = (cp * shrink[i] - np.float32(1.5)) * np.float32(1.0 / 0.9)
        w = min(max(w, zero), one)
        w = w * w * (np.float32(3.0) - np.float32(2.0) * w)
        out[i] += amp * w * noise2(x[i] * scale_x, y[i] * scale_y, cells, s)


@njit(inline="always")
def smoothstep(low: float, high: float, value: float) -> float:
    """0 below `low`, 1 above `high`, a cubic between."""
    t = (value - low) / (high - low)
    t = min(max(t, np.float32(0.0)), np.float32(1.0))
    return t * t * (np.float32(3.0) - np.float32(2.0) * t)


@njit(cache=True, nogil=True)
def ring_profile(out: NDArray[np.float32], cells: int, amplitude: float, seed: int) -> None:
    """Add one octave of noise that closes over a full turn to a profile of len(out) samples."""
    n = len(out)
    for i in range(n):
        out[i] += np.float32(amplitude) * noise2(i * cells / n, 0.37, cells, np.uint32(seed))


@njit(cache=True, nogil=True)
def turns(x: NDArray[np.float64], z: NDArray[np.float64], out: NDArray[np.float64], n: int) -> None:
    """Yaw atan2(x, z) of the first `n` directions in turns, 0 <= turn < 1, good to 1e-11 turn.

    Arithmetic only (no libm), so it runs in vector registers: t = min/max is brought within
    tan(pi/8) of 0 and summed by its series.
    """
    c = 0.41421356237309503  # tan(pi/8)
    for i in range(n):
        ax, az = abs(x[i]), abs(z[i])
        small, large = min(ax, az), max(max(ax, az), 1e-300)
        t = small / large
        r = (t - c) / (1.0 + t * c)
        q = r * r
        p = 1.0 / 25.0
        p = 1.0 / 23.0 - q * p
        p = 1.0 / 21.0 - q * p
        p = 1.0 / 19.0 - q * p
        p = 1.0 / 17.0 - q * p
        p = 1.0 / 15.0 - q * p
        p = 1.0 / 13.0 - q * p
        p = 1.0 / 11.0 - q * p
        p = 1.0 / 9.0 - q * p
        p = 1.0 / 7.0 - q * p
        p = 1.0 / 5.0 - q * p
        p = 1.0 / 3.0 - q * p
        p = 1.0 - q * p
        a = r * p + 0.39269908169872414  # angle of t, 0 .. pi/4
        a = a if ax <= az else 1.5707963267948966 - a
        a = a if z[i] >= 0.0 else 3.141592653589793 - a
        a = a if x[i] >= 0.0 else -a
        u = a * 0.15915494309189535
        u = u if u >= 0.0 else u + 1.0
        out[i] = u if u < 1.0 else 0.0
