"""One frame's camera: interior orientation (`radial3`) and rotation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from belvedere.geometry.rotation import Quaternion, matrix_from_quaternion, quaternion_from_matrix


@dataclass(frozen=True, slots=True)
class Camera:
    """Where a frame looked and through what: displayed pixels, world to camera.

    u = cx + f xd, v = cy + f yd, (xd, yd) = (x, y)(1 + k1 r^2 + k2 r^4 + k3 r^6), x = X/Z, y = Y/Z.

    Parameters
    ----------
    width, height : int
        Size of the frame as displayed, px.
    focal_px : float
        Focal length in px, > 0.
    principal_point : tuple of 2 float
        (cx, cy) in px; the centre of the top-left pixel is (0, 0).
    distortion : tuple of 3 float
        Radial coefficients (k1, k2, k3), dimensionless.
    rotation_wxyz : tuple of 4 float
        Unit quaternion of R, which takes world directions to camera directions.
    """

    width: int
    height: int
    focal_px: float
    principal_point: tuple[float, float]
    distortion: tuple[float, float, float]
    rotation_wxyz: Quaternion

    @property
    def rotation(self) -> NDArray[np.float64]:
        """R as a 3 x 3 matrix, world to camera."""
        return matrix_from_quaternion(self.rotation_wxyz)

    @property
    def radius_limit(self) -> float:
        """Undistorted radius r (dimensionless) up to which the distortion still grows; no ray goes beyond."""
        return growth_limit(self.distortion)

    @property
    def half_diagonal_px(self) -> float:
        """Half the frame's diagonal in px, the unit of the vignetting radius."""
        return math.hypot(self.width, self.height) / 2.0

    def with_rotation(self, rotation: ArrayLike) -> Camera:
        """The same camera looking elsewhere; `rotation` is a 3 x 3 matrix, world to camera."""
        return replace(self, rotation_wxyz=quaternion_from_matrix(rotation))

    def scaled(self, level: int) -> Camera:
        """The camera of the frame's copy reduced `level` times by 2 x 2 means (sizes rounded up).

        A copy's pixel i lies at 2 i + 0.5 of the pixels it was made from.
        """
        s = 2.0**level
        shift = (s - 1.0) / 2.0
        return replace(
            self,
            width=-(-self.width // 2**level),
            height=-(-self.height // 2**level),
            focal_px=self.focal_px / s,
            principal_point=(
                (self.principal_point[0] - shift) / s,
                (self.principal_point[1] - shift) / s,
            ),
        )

    def project(self, directions: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Project world directions into the frame.

        Parameters
        ----------
        directions : array of shape (..., 3)
            World directions, any length > 0.

        Returns
        -------
        points : ndarray of shape (..., 2), float64
            (u, v) in px; NaN where the direction cannot be seen by the lens model.
        seen : ndarray of bool, shape (...)
            True where the direction is in front of the camera, within the distortion's growing part and
            falls on the frame (pixel areas included: -0.5 <= u <= width - 0.5).
        """
        c = np.asarray(directions, dtype=np.float64) @ self.rotation.T
        z = c[..., 2]
        front = z > 0.0
        zs = np.where(front, z, 1.0)
        k1, k2, k3 = self.distortion
        with np.errstate(over="ignore", invalid="ignore"):  # rays all but across the axis
            x, y = c[..., 0] / zs, c[..., 1] / zs
            r2 = x * x + y * y
            front &= r2 < self.radius_limit**2
            d = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
            u = self.principal_point[0] + self.focal_px * x * d
            v = self.principal_point[1] + self.focal_px * y * d
            points = np.where(front[..., None], np.stack([u, v], axis=-1), np.nan)
            on_frame = (u >= -0.5) & (u <= self.width - 0.5) & (v >= -0.5) & (v <= self.height - 0.5)
        return points, front & on_frame

    def camera_rays(self, points: ArrayLike) -> NDArray[np.float64]:
        """Unit directions (..., 3) in the camera's own axes of pixel positions (..., 2)."""
        p = np.asarray(points, dtype=np.float64)
        xd = (p[..., 0] - self.principal_point[0]) / self.focal_px
        yd = (p[..., 1] - self.principal_point[1]) / self.focal_px
        scale = undistortion_scale(np.hypot(xd, yd), self.distortion)
        rays = np.stack([xd * scale, yd * scale, np.ones_like(xd)], axis=-1)
        return np.asarray(rays / np.linalg.norm(rays, axis=-1, keepdims=True))

    def rays(self, points: ArrayLike) -> NDArray[np.float64]:
        """Unit world directions (..., 3) seen at pixel positions (..., 2)."""
        return np.asarray(self.camera_rays(points) @ self.rotation)


@lru_cache(maxsize=4096)
def growth_limit(distortion: tuple[float, float, float]) -> float:
    """Smallest r > 0 where r (1 + k1 r^2 + k2 r^4 + k3 r^6) stops growing; inf if it never does."""
    k1, k2, k3 = distortion
    # The slope 1 + 3 k1 r^2 + 5 k2 r^4 + 7 k3 r^6 as a polynomial in 1/r^2, whose leading coefficient is 1:
    # small coefficients stay harmless. Limits beyond r = 1e6 are none.
    roots = np.roots([1.0, 3.0 * k1, 5.0 * k2, 7.0 * k3])
    real = [float(q.real) for q in roots if abs(q.imag) < 1e-9 and q.real > 1e-12]
    return 1.0 / math.sqrt(max(real)) if real else math.inf


def undistortion_scale(radius: ArrayLike, distortion: tuple[float, float, float]) -> NDArray[np.float64]:
    """Factor r / rd that takes a distorted image position back to x = X/Z, y = Y/Z.

    Parameters
    ----------
    radius : array
        Distorted radius rd = hypot(xd, yd), dimensionless, >= 0.
    distortion : tuple of 3 float
        (k1, k2, k3).

    Returns
    -------
    scale : ndarray of float64
        Newton's method on rd = r (1 + k1 r^2 + k2 r^4 + k3 r^6), bisecting where a step leaves the bracket
        or does not halve. A radius that no ray of the growing part reaches gives the ray at its limit.
    """
    rd = np.asarray(radius, dtype=np.float64)
    k1, k2, k3 = distortion
    if k1 == 0.0 and k2 == 0.0 and k3 == 0.0:
        return np.ones_like(rd)
    limit = growth_limit(distortion)
    top = limit * (1.0 - 1e-9) if math.isfinite(limit) else math.inf
    low = np.zeros_like(rd)
    high = np.full_like(rd, top) if math.isfinite(top) else _double_until_past(rd, distortion)
    r = np.minimum(rd, high)
    last = np.full_like(rd, np.inf)
    for _ in range(64):  # 3 to 5 for real lenses; a strong k3 far out needs dozens
        f = _distorted(r, distortion) - rd
        q = r * r
        slope = 1.0 + q * (3.0 * k1 + q * (5.0 * k2 + q * 7.0 * k3))
        low, high = np.where(f > 0.0, low, r), np.where(f > 0.0, r, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            new = r - f / slope
        step = np.abs(new - r)
        done = step <= 1e-14 * (1.0 + r)
        safe = (new >= low) & (new <= high) & (step <= 0.5 * last)
        new = np.where(done | safe, new, 0.5 * (low + high))
        last = np.abs(new - r)
        r = new
        if not (last > 1e-14 * (1.0 + r)).any():
            break
    return np.where(rd > 1e-12, r / np.where(rd > 1e-12, rd, 1.0), 1.0)


def _distorted(r: NDArray[np.float64], distortion: tuple[float, float, float]) -> NDArray[np.float64]:
    k1, k2, k3 = distortion
    q = r * r
    return np.asarray(r * (1.0 + q * (k1 + q * (k2 + q * k3))))


def _double_until_past(
    rd: NDArray[np.float64], distortion: tuple[float, float, float]
) -> NDArray[np.float64]:
    """A radius beyond the solution for each rd, of a distortion that grows for ever."""
    high = np.maximum(rd, 1e-3)
    while (short := _distorted(high, distortion) < rd).any():
        high = np.where(short, 2.0 * high, high)
    return high
