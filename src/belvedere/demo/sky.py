"""The sky: a gradient brighter towards the sun, and clouds that drift."""

# Kernels: NumPy scalars stand for float and int here, which the stubs of NumPy tell apart.
# mypy: disable-error-code="arg-type, operator, return-value, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.demo.noise import UNBOUNDED, add_octave, smoothstep

HAZE: tuple[float, float, float] = (0.60, 0.70, 0.82)
"""Linear colour of the air at the horizon."""
DOME = 0.22
"""How much of the cloud sheet's vanishing towards the horizon is held back."""
_FIRST_CELL = 0.55
_CLOUD_OCTAVES = 10


@njit(cache=True, nogil=True)
def colour_sky(
    colour: NDArray[np.float32],
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    n: int,
    sun: NDArray[np.float64],
    haze: NDArray[np.float32],
    cover: float,
    drift: NDArray[np.float64],
    focal_px: float,
    seed: int,
    scratch: NDArray[np.float64],
    bands: NDArray[np.float32],
) -> None:
    """Colour the first `n` unit directions (dx, dy, dz).

    Parameters
    ----------
    cover : float
        Share under cloud, 0 to 1.
    drift : ndarray of shape (2,)
        How far the cloud sheet has moved, in sheet units (x, z).
    scratch : ndarray of shape (>= 4, >= n), float64
        Working space; so is `bands`, of shape (>= 3, >= n), float32.
    """
    f = np.float32
    for i in range(n):
        up = max(f(-dy[i]), f(0.0))
        near = f(dx[i] * sun[0] + dy[i] * sun[1] + dz[i] * sun[2])
        t = f(1.0) / (f(1.0) + f(5.5) * up)
        glow = max(near, f(0.0))
        glow = glow * glow * glow * glow
        glow = f(0.30) * glow * glow + f(0.10) * glow
        colour[i, 0] = f(0.085) + (haze[0] - f(0.085)) * t * t + glow
        colour[i, 1] = f(0.22) + (haze[1] - f(0.22)) * t * t + glow * f(0.92)
        colour[i, 2] = f(0.56) + (haze[2] - f(0.56)) * t + glow * f(0.75)
    if cover <= 0.0:
        return
    x, z, xs, zs = scratch[0], scratch[1], scratch[2], scratch[3]
    dense, lit, shrink = bands[0], bands[1], bands[2]
    toward = 0.07 / max(math.hypot(sun[0], sun[2]), 1e-6)
    for i in range(n):
        k = 1.0 / (max(-dy[i], 0.0) + DOME)
        x[i] = dx[i] * k + drift[0]
        z[i] = dz[i] * k + drift[1]
        xs[i] = x[i] + sun[0] * toward
        zs[i] = z[i] + sun[2] * toward
        shrink[i] = f(1.0 / (k * k * (1.0 + DOME)))
        dense[i] = f(0.0)
        lit[i] = f(0.0)
    cell, amplitude = _FIRST_CELL, 0.62
    for octave in range(_CLOUD_OCTAVES):
        px = cell * focal_px
        add_octave(
            dense, x, z, shrink, n, 0.8 / cell, 1.0 / cell, UNBOUNDED, px, amplitude, seed * 57 + octave
        )
        if octave < 4:
            add_octave(
                lit, xs, zs, shrink, n, 0.8 / cell, 1.0 / cell, UNBOUNDED, px, amplitude, seed * 57 + octave
            )
        cell *= 0.5
        amplitude *= 0.56
    edge = f(0.55 - 1.1 * cover)
    for i in range(n):
        up = f(-dy[i])
        body = smoothstep(edge, edge + f(0.55), dense[i])
        alpha = body * smoothstep(f(0.0), f(0.10), up) * f(0.95)
        thick = smoothstep(edge, edge + f(1.0), dense[i])
        shade = f(0.92) - f(0.30) * thick + f(0.30) * (dense[i] - lit[i])
        shade = min(max(shade, f(0.42)), f(1.15))
        colour[i, 0] += (shade * f(0.96) - colour[i, 0]) * alpha
        colour[i, 1] += (shade * f(0.97) - colour[i, 1]) * alpha
        colour[i, 2] += (shade * f(1.00) - colour[i, 2]) * alpha
