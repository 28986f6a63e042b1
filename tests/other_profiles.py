"""Colours of other standards, made here from their published numbers, and frames converted into them.

Nothing of the package's own colour mathematics is used: all three spaces have the white D65, so a conversion
goes through XYZ without any adaptation. Only the profile's bytes are written by the package.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.icc import matrix_profile

D65 = np.array(
    [0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290]
)  # CIE 15:2004, rounded as in the RGB standards
D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2022, 7.2.16
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
# Bradford's cone matrix: ICC.1:2022, annex E


@dataclass(frozen=True)
class Space:
    """An RGB space under D65: name, chromaticities of its primaries, its curve as an ICC profile has it."""

    name: str
    primaries: tuple[tuple[float, float], ...]
    curve: tuple[float, ...]

    @property
    def to_xyz(self) -> NDArray[np.float64]:
        """Linear RGB to XYZ (SMPTE RP 177-1993)."""
        columns = np.array([[x / y, 1.0, (1.0 - x - y) / y] for x, y in self.primaries]).T
        return np.asarray(columns * np.linalg.solve(columns, D65))

    @property
    def profile(self) -> bytes:
        """Its ICC profile."""
        adaptation = np.linalg.inv(_BRADFORD) @ np.diag(_BRADFORD @ D50 / (_BRADFORD @ D65)) @ _BRADFORD
        return matrix_profile(self.name, adaptation @ self.to_xyz, self.curve, adaptation)

    def linear(self, codes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear light of codes 0 to 1."""
        if len(self.curve) == 1:
            return np.asarray(codes ** self.curve[0])
        return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)

    def encode(self, light: NDArray[np.float64]) -> NDArray[np.float64]:
        """Codes 0 to 1 of linear light, held to that range."""
        x = np.clip(light, 0.0, 1.0)
        if len(self.curve) == 1:
            return np.asarray(x ** (1.0 / self.curve[0]))
        return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1.0 / 2.4) - 0.055)


_SRGB_CURVE = (2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045)  # IEC 61966-2-1:1999, 5.2

SRGB = Space("sRGB", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), _SRGB_CURVE)
"""IEC 61966-2-1:1999."""
EG_432 = Space("SMPTE EG 432-1 primaries", ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06)), _SRGB_CURVE)
"""The primaries of SMPTE RP 431-2 under D65, as SMPTE EG 432-1 has them, with the sRGB curve."""
OP_RGB = Space("opRGB", ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), (563.0 / 256.0,))
"""IEC 61966-2-5:2007."""


def between(a: Space, b: Space) -> NDArray[np.float64]:
    """Linear RGB of a to linear RGB of b."""
    return np.asarray(np.linalg.solve(b.to_xyz, a.to_xyz))


def converted(codes: NDArray[np.uint16], a: Space, b: Space) -> NDArray[np.uint16]:
    """A frame (h, w, 3) of 16 bits in a, as it would be in b."""
    light = a.linear(codes / 65535.0) @ between(a, b).T
    return np.rint(b.encode(light) * 65535.0).astype(np.uint16)


def colour_difference(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIEDE2000 of sRGB codes 0 to 1 (..., 3): CIE 142-2001; ISO/CIE 11664-6:2014, kL = kC = kH = 1."""
    (l1, a1, b1), (l2, a2, b2) = (np.moveaxis(_lab(codes), -1, 0) for codes in (a, b))
    c_mean = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    g = 0.5 * (1 - np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    turn = (h2 - h1 + 180) % 360 - 180
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    l_mean, c_mean, h_mean = (l1 + l2) / 2, (c1 + c2) / 2, h1 + turn / 2
    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t
    r_t = -2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    r_t = r_t * np.sin(np.radians(60 * np.exp(-((((h_mean % 360) - 275) / 25) ** 2))))
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return np.asarray(np.sqrt(np.maximum(x**2 + y**2 + z**2 + r_t * y * z, 0.0)))


def _lab(codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* under D65 (ISO/CIE 11664-4:2019) of sRGB codes."""
    ratio = SRGB.linear(codes) @ SRGB.to_xyz.T / D65
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)
