"""The plate: the sheet the picture is drawn on, and its six map projections."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from belvedere.geometry.rotation import pose_matrix

Projection = Literal["equirectangular", "cylindrical", "rectilinear", "mercator", "stereographic", "pannini"]
PROJECTIONS: tuple[Projection, ...] = (
    "equirectangular",
    "cylindrical",
    "rectilinear",
    "mercator",
    "stereographic",
    "pannini",
)


@dataclass(frozen=True, slots=True)
class Plate:
    """A projection, a size, a resolution and a view.

    A plate pixel (x, y) has the plane coordinates (X, Y) = ((x - x0)/s, (y - y0)/s).

    Parameters
    ----------
    projection : str
        One of `PROJECTIONS`.
    width, height : int
        Size in px.
    pixels_per_radian : float
        s, px per radian at the plate's centre, > 0.
    centre : tuple of 2 float
        (x0, y0): the pixel position of the plane's origin.
    yaw_pitch_roll : tuple of 3 float
        Radians; d_world = Ry(yaw) Rx(pitch) Rz(roll) d_plate.
    d : float
        Pannini's parameter (distance of the projection centre), >= 0; unused otherwise.
    wraps : bool
        True where the plate is a full turn: column `width` is column 0 again and 2 pi s == width.
    """

    projection: Projection
    width: int
    height: int
    pixels_per_radian: float
    centre: tuple[float, float]
    yaw_pitch_roll: tuple[float, float, float] = (0.0, 0.0, 0.0)
    d: float = 1.0
    wraps: bool = False

    @property
    def pose(self) -> NDArray[np.float64]:
        """3 x 3 matrix taking plate directions to world directions."""
        return pose_matrix(*self.yaw_pitch_roll)

    def directions(self, points: ArrayLike) -> NDArray[np.float64]:
        """Unit world directions (..., 3) of plate pixel positions (..., 2); NaN where there is none."""
        p = np.asarray(points, dtype=np.float64)
        plane = np.stack(
            [
                (p[..., 0] - self.centre[0]) / self.pixels_per_radian,
                (p[..., 1] - self.centre[1]) / self.pixels_per_radian,
            ],
            axis=-1,
        )
        return np.asarray(plane_to_direction(self.projection, plane, d=self.d) @ self.pose.T)

    def points(self, directions: ArrayLike) -> NDArray[np.float64]:
        """Plate pixel positions (..., 2) of world directions (..., 3); NaN where the projection has none.

        On a plate that wraps, x is brought into [-0.5, width - 0.5).
        """
        dirs = np.asarray(directions, dtype=np.float64) @ self.pose
        plane = direction_to_plane(self.projection, dirs, d=self.d)
        x = self.centre[0] + self.pixels_per_radian * plane[..., 0]
        y = self.centre[1] + self.pixels_per_radian * plane[..., 1]
        if self.wraps:
            x = (x + 0.5) % self.width - 0.5
            x = np.where(x >= self.width - 0.5, -0.5, x)  # a hair left of -0.5 rounds up to the far border
        return np.stack([x, y], axis=-1)


def direction_to_plane(
    projection: Projection, directions: ArrayLike, *, d: float = 1.0
) -> NDArray[np.float64]:
    """Project plate directions (..., 3) onto the plane: (X, Y) (..., 2), dimensionless; NaN outside.

    References
    ----------
    J. P. Snyder, Map Projections - A Working Manual, USGS Professional Paper 1395 (1987): equidistant
    cylindrical (12), Mercator (7), gnomonic (22), stereographic (21), spherical forms.
    T. K. Sharpless, B. Postle, D. M. German, Pannini: A New Projection for Rendering Wide Angle
    Perspective Images, Computational Aesthetics 2010, equations (1) to (4).
    """
    v = np.asarray(directions, dtype=np.float64)
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    horizontal = np.hypot(x, z)
    small = 1e-12 * np.hypot(horizontal, y)
    with np.errstate(divide="ignore", invalid="ignore"):
        match projection:
            case "equirectangular":
                return np.stack([np.arctan2(x, z), np.arctan2(y, horizontal)], axis=-1)
            case "cylindrical":
                out = np.stack([np.arctan2(x, z), y / horizontal], axis=-1)
                return np.where((horizontal > small)[..., None], out, np.nan)
            case "mercator":
                out = np.stack([np.arctan2(x, z), np.arcsinh(y / horizontal)], axis=-1)
                return np.where((horizontal > small)[..., None], out, np.nan)
            case "rectilinear":
                out = np.stack([x / z, y / z], axis=-1)
                return np.where((z > small)[..., None], out, np.nan)
            case "stereographic":
                k = 2.0 / (np.hypot(horizontal, y) + z)
                out = np.stack([k * x, k * y], axis=-1)
                return np.where(np.isfinite(k)[..., None], out, np.nan)
            case "pannini":
                yaw = np.arctan2(x, z)
                den = d + np.cos(yaw)
                out = np.stack([(d + 1) * np.sin(yaw) / den, (d + 1) * (y / horizontal) / den], axis=-1)
                limit = pannini_yaw_limit(d)
                ok = (horizontal > small) & (np.abs(yaw) < limit)
                return np.where(ok[..., None], out, np.nan)


def plane_to_direction(projection: Projection, plane: ArrayLike, *, d: float = 1.0) -> NDArray[np.float64]:
    """The inverse of `direction_to_plane`: plane (..., 2) to unit plate directions (..., 3); NaN outside.

    The cylinder-based projections answer for |X| <= pi only up to rounding: X beyond pi is taken as a
    further turn, so that a plate's pixels past the wrap see what they should.
    """
    q = np.asarray(plane, dtype=np.float64)
    a, b = q[..., 0], q[..., 1]
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        match projection:
            case "equirectangular":
                out = np.stack([np.cos(b) * np.sin(a), np.sin(b), np.cos(b) * np.cos(a)], axis=-1)
                return np.where((np.abs(b) <= math.pi / 2 + 1e-12)[..., None], out, np.nan)
            case "cylindrical":
                return _unit(np.stack([np.sin(a), b, np.cos(a)], axis=-1))
            case "mercator":  # cos(pitch) = 1 / cosh(b), sin(pitch) = -tanh(b)
                level = 1.0 / np.cosh(b)
                return np.stack([level * np.sin(a), np.tanh(b), level * np.cos(a)], axis=-1)
            case "rectilinear":
                return _unit(np.stack([a, b, np.ones_like(a)], axis=-1))
            case "stereographic":
                m = 4.0 / (4.0 + a * a + b * b)
                return np.stack([a * m, b * m, 2.0 * m - 1.0], axis=-1)
            case "pannini":
                k = (a / (d + 1)) ** 2
                disc = k * k * d * d - (k + 1) * (k * d * d - 1)
                cos_yaw = (-k * d + np.sqrt(np.maximum(disc, 0.0))) / (k + 1)
                s = (d + 1) / (d + cos_yaw)
                sin_yaw = a / s
                tan_pitch = b / s
                out = _unit(np.stack([sin_yaw, tan_pitch, cos_yaw], axis=-1))
                ok = (disc >= 0) & (d + cos_yaw > 1e-9)
                return np.where(ok[..., None], out, np.nan)


def pannini_yaw_limit(d: float) -> float:
    """Largest |yaw| in radians where the Pannini projection with `d` still grows: cos(yaw) > -1/d or -d."""
    return math.acos(-1.0 / d) if d > 1.0 else math.acos(-d)


def _unit(v: NDArray[np.float64]) -> NDArray[np.float64]:
    length = np.hypot(np.hypot(v[..., 0], v[..., 2]), v[..., 1])  # safe where squares overflow
    return np.asarray(v / length[..., None])
