"""Rays of pixels: the camera's inverse, quick, and exact to 1e-8 of the focal length."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera, undistortion_scale

_TABLE = 4096


def undistortion_table(camera: Camera) -> tuple[NDArray[np.float64], float]:
    """Undistortion scale at equal steps of the squared distorted radius, and the last of these squares."""
    cx, cy = camera.principal_point
    reach = math.hypot(max(cx, camera.width - cx) + 2.0, max(cy, camera.height - cy) + 2.0) / camera.focal_px
    radius2 = reach * reach
    return undistortion_scale(np.sqrt(np.linspace(0.0, radius2, _TABLE)), camera.distortion), radius2


@njit(inline="always")
def unit_ray(
    u: float,
    v: float,
    focal: float,
    pp: NDArray[np.float64],
    rot: NDArray[np.float64],
    table: NDArray[np.float64],
    radius2: float,
) -> tuple[float, float, float]:
    """Unit world direction seen at displayed pixel (u, v); `rot` takes world to camera."""
    xd, yd = (u - pp[0]) / focal, (v - pp[1]) / focal
    q = (xd * xd + yd * yd) * ((len(table) - 1) / radius2)
    k = min(int(q), len(table) - 2)
    s = table[k] + (q - k) * (table[k + 1] - table[k])
    x, y = xd * s, yd * s
    m = 1.0 / math.sqrt(x * x + y * y + 1.0)
    return (
        (rot[0, 0] * x + rot[1, 0] * y + rot[2, 0]) * m,
        (rot[0, 1] * x + rot[1, 1] * y + rot[2, 1]) * m,
        (rot[0, 2] * x + rot[1, 2] * y + rot[2, 2]) * m,
    )


@njit(cache=True, nogil=True)
def rays_of_row(
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    dz: NDArray[np.float64],
    v: float,
    focal: float,
    pp: NDArray[np.float64],
    rot: NDArray[np.float64],
    table: NDArray[np.float64],
    radius2: float,
) -> None:
    """Fill the unit world directions of one displayed row's pixels."""
    for i in range(len(dx)):
        dx[i], dy[i], dz[i] = unit_ray(float(i), v, focal, pp, rot, table, radius2)
