"""Residuals of a block and their normal equations, pair by pair, with analytic derivatives."""

from __future__ import annotations

import math

import numba as nb
import numpy as np
from numpy.typing import NDArray

_UNKNOWNS = 18  # of a pair: 3 + 3 rotation, 6 + 6 lens


@nb.njit(cache=True, nogil=True)
def undistort(xd: float, yd: float, k1: float, k2: float, k3: float) -> tuple[float, float]:
    """(x, y) with (x, y)(1 + k1 r^2 + k2 r^4 + k3 r^6) = (xd, yd), by Newton's method in r."""
    rd = math.hypot(xd, yd)
    if rd < 1e-12:
        return xd, yd
    r = rd
    for _ in range(12):
        q = r * r
        slope = 1.0 + q * (3.0 * k1 + q * (5.0 * k2 + q * 7.0 * k3))
        if slope < 0.1:
            slope = 0.1
        step = (r * (1.0 + q * (k1 + q * (k2 + q * k3))) - rd) / slope
        r -= step
        if r < 0.0:
            r = 0.0
        if r > 4.0 * rd:
            r = 4.0 * rd
        if abs(step) < 1e-14:
            break
    return xd * r / rd, yd * r / rd


@nb.njit(cache=True, nogil=True)
def _world_ray(
    u: float,
    v: float,
    lens: NDArray[np.float64],
    axes: NDArray[np.float64],
    rotation: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    f = lens[0]
    xd = (u - axes[0, 0] * lens[1] - axes[0, 1] * lens[2]) / f
    yd = (v - axes[1, 0] * lens[1] - axes[1, 1] * lens[2]) / f
    x, y = undistort(xd, yd, lens[3], lens[4], lens[5])
    n = math.sqrt(x * x + y * y + 1.0)
    for k in range(3):
        out[k] = (rotation[0, k] * x + rotation[1, k] * y + rotation[2, k]) / n


@nb.njit(cache=True, nogil=True)
def _world_ray_slopes(
    u: float,
    v: float,
    lens: NDArray[np.float64],
    axes: NDArray[np.float64],
    rotation: NDArray[np.float64],
    out: NDArray[np.float64],
    slopes: NDArray[np.float64],
) -> None:
    """World ray, and its derivatives (3, 6) by ln f, the sensor offset, and the corner displacements."""
    f, c2 = lens[0], lens[6] * lens[6]
    k1, k2, k3 = lens[3], lens[4], lens[5]
    xd = (u - axes[0, 0] * lens[1] - axes[0, 1] * lens[2]) / f
    yd = (v - axes[1, 0] * lens[1] - axes[1, 1] * lens[2]) / f
    x, y = undistort(xd, yd, k1, k2, k3)
    q = x * x + y * y
    n = math.sqrt(q + 1.0)
    # Jacobian of the distortion at (x, y), and its inverse
    d = 1.0 + q * (k1 + q * (k2 + q * k3))
    s = 2.0 * (k1 + q * (2.0 * k2 + q * 3.0 * k3))
    a, b, c = d + s * x * x, s * x * y, d + s * y * y
    det = a * c - b * b
    ia, ib, ic = c / det, -b / det, a / det
    # columns: d(x, y) by each unknown, through d(xd, yd) or the distortion itself
    for p in range(6):
        if p == 0:
            gx, gy = -xd, -yd
        elif p == 1:
            gx, gy = -axes[0, 0] / f, -axes[1, 0] / f
        elif p == 2:
            gx, gy = -axes[0, 1] / f, -axes[1, 1] / f
        elif p == 3:
            gx, gy = -x * q / c2, -y * q / c2
        elif p == 4:
            gx, gy = -x * q * q / (c2 * c2), -y * q * q / (c2 * c2)
        else:
            gx, gy = -x * q * q * q / (c2 * c2 * c2), -y * q * q * q / (c2 * c2 * c2)
        dx = ia * gx + ib * gy
        dy = ib * gx + ic * gy
        along = (x * dx + y * dy) / (n * n)
        rx, ry, rz = (dx - x * along) / n, (dy - y * along) / n, -along / n
        for k in range(3):
            slopes[k, p] = rotation[0, k] * rx + rotation[1, k] * ry + rotation[2, k] * rz
    for k in range(3):
        out[k] = (rotation[0, k] * x + rotation[1, k] * y + rotation[2, k]) / n


@nb.njit(cache=True, nogil=True)
def _across(w: NDArray[np.float64], b1: NDArray[np.float64], b2: NDArray[np.float64]) -> None:
    """Two unit vectors across w: b1 in the horizontal plane unless w is near a pole."""
    if abs(w[1]) < 0.95 * math.sqrt(w[0] * w[0] + w[1] * w[1] + w[2] * w[2]):
        b1[0], b1[1], b1[2] = w[2], 0.0, -w[0]
    else:
        b1[0], b1[1], b1[2] = 0.0, -w[2], w[1]
    n = math.sqrt(b1[0] * b1[0] + b1[1] * b1[1] + b1[2] * b1[2])
    for k in range(3):
        b1[k] /= n
    b2[0] = w[1] * b1[2] - w[2] * b1[1]
    b2[1] = w[2] * b1[0] - w[0] * b1[2]
    b2[2] = w[0] * b1[1] - w[1] * b1[0]
    n = math.sqrt(b2[0] * b2[0] + b2[1] * b2[1] + b2[2] * b2[2])
    for k in range(3):
        b2[k] /= n


@nb.njit(cache=True, nogil=True)
def residuals(
    rotations: NDArray[np.float64],
    lenses: NDArray[np.float64],
    lens_of: NDArray[np.int64],
    axes: NDArray[np.float64],
    pairs: NDArray[np.int64],
    start: NDArray[np.int64],
    points: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Disagreement (n, 2) in px of every tie point across the mean of its two world rays."""
    out = np.empty((len(points), 2))
    wa, wb, m = np.empty(3), np.empty(3), np.empty(3)
    b1, b2 = np.empty(3), np.empty(3)
    for p in range(len(pairs)):
        i, j = pairs[p, 0], pairs[p, 1]
        la, lb = lenses[lens_of[i]], lenses[lens_of[j]]
        f = math.sqrt(la[0] * lb[0])
        for k in range(start[p], start[p + 1]):
            _world_ray(points[k, 0], points[k, 1], la, axes[i], rotations[i], wa)
            _world_ray(points[k, 2], points[k, 3], lb, axes[j], rotations[j], wb)
            for c in range(3):
                m[c] = wa[c] + wb[c]
            if m[0] * m[0] + m[1] * m[1] + m[2] * m[2] < 0.04:  # nearly opposite: no plane across them
                out[k, 0], out[k, 1] = 2.0 * f, 2.0 * f
                continue
            _across(m, b1, b2)
            e1 = e2 = 0.0
            for c in range(3):
                e1 += b1[c] * (wa[c] - wb[c])
                e2 += b2[c] * (wa[c] - wb[c])
            out[k, 0], out[k, 1] = f * e1, f * e2
    return out


@nb.njit(cache=True, nogil=True)
def accumulate(
    rotations: NDArray[np.float64],
    lenses: NDArray[np.float64],
    lens_of: NDArray[np.int64],
    axes: NDArray[np.float64],
    pairs: NDArray[np.int64],
    start: NDArray[np.int64],
    points: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Normal equations by pair: J^T W J (p, 18, 18), J^T W e (p, 18), the unknowns they touch (p, 18).

    Where both frames share a lens, its unknowns stand once and what is left of the second place is zero.
    """
    count, n = len(pairs), len(rotations)
    normals = np.zeros((count, _UNKNOWNS, _UNKNOWNS))
    gradients = np.zeros((count, _UNKNOWNS))
    unknowns = np.empty((count, _UNKNOWNS), dtype=np.int64)
    wa, wb, m = np.empty(3), np.empty(3), np.empty(3)
    b1, b2 = np.empty(3), np.empty(3)
    sa, sb = np.empty((3, 6)), np.empty((3, 6))
    jac = np.empty((2, _UNKNOWNS))
    for p in range(count):
        i, j = pairs[p, 0], pairs[p, 1]
        gi, gj = lens_of[i], lens_of[j]
        for c in range(3):
            unknowns[p, c], unknowns[p, 3 + c] = 3 * i + c, 3 * j + c
        for c in range(6):
            unknowns[p, 6 + c], unknowns[p, 12 + c] = 3 * n + 6 * gi + c, 3 * n + 6 * gj + c
        la, lb = lenses[gi], lenses[gj]
        f = math.sqrt(la[0] * lb[0])
        used = 12 if gi == gj else _UNKNOWNS  # one lens: its unknowns are counted once
        for k in range(start[p], start[p + 1]):
            w = weights[k]
            if w <= 0.0:
                continue
            _world_ray_slopes(points[k, 0], points[k, 1], la, axes[i], rotations[i], wa, sa)
            _world_ray_slopes(points[k, 2], points[k, 3], lb, axes[j], rotations[j], wb, sb)
            for c in range(3):
                m[c] = wa[c] + wb[c]
            if m[0] * m[0] + m[1] * m[1] + m[2] * m[2] < 0.04:
                continue
            _across(m, b1, b2)
            for r in range(2):
                b = b1 if r == 0 else b2
                # b . (d x w) = d . (w x b)
                jac[r, 0] = f * (wa[1] * b[2] - wa[2] * b[1])
                jac[r, 1] = f * (wa[2] * b[0] - wa[0] * b[2])
                jac[r, 2] = f * (wa[0] * b[1] - wa[1] * b[0])
                jac[r, 3] = -f * (wb[1] * b[2] - wb[2] * b[1])
                jac[r, 4] = -f * (wb[2] * b[0] - wb[0] * b[2])
                jac[r, 5] = -f * (wb[0] * b[1] - wb[1] * b[0])
                for c in range(6):
                    jac[r, 6 + c] = f * (b[0] * sa[0, c] + b[1] * sa[1, c] + b[2] * sa[2, c])
                    jac[r, 12 + c] = -f * (b[0] * sb[0, c] + b[1] * sb[1, c] + b[2] * sb[2, c])
                e = 0.0
                for c in range(3):
                    e += b[c] * (wa[c] - wb[c])
                e *= f
                jac[r, 6] += 0.5 * e  # the unit of the residual is the mean focal length itself
                jac[r, 12] += 0.5 * e
                if gi == gj:
                    for c in range(6):
                        jac[r, 6 + c] += jac[r, 12 + c]
                for c in range(used):
                    wj = w * jac[r, c]
                    gradients[p, c] += wj * e
                    for d in range(c + 1):
                        normals[p, c, d] += wj * jac[r, d]
        for c in range(used):
            for d in range(c):
                normals[p, d, c] = normals[p, c, d]
    return normals, gradients, unknowns
