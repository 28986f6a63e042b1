"""Exposing: from the light of a row of pixels to the codes a camera writes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.demo.noise import hash32

_STEPS = 8192


@dataclass(frozen=True, slots=True)
class Exposing:
    """What one exposure does to light.

    Parameters
    ----------
    factors : tuple of 3 float
        On the light of red, green and blue: exposure times white balance.
    vignetting : tuple of 3 float
        (a1, a2, a3) of 1 + a1 q + a2 q^2 + a3 q^3.
    contrast : float
        Strength of the body's S-curve on encoded values, 0 (plain sRGB) to 0.8.
    full_well : float
        Electrons at full scale (shot noise); 0: no noise at all.
    read_noise : float
        Electrons, one sigma.
    noise_seed : int
        Seed of this frame's noise.
    """

    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignetting: tuple[float, float, float] = (0.0, 0.0, 0.0)
    contrast: float = 0.0
    full_well: float = 0.0
    read_noise: float = 0.0
    noise_seed: int = 0


def encode(light: NDArray[np.float64], contrast: float = 0.0) -> NDArray[np.float64]:
    """Linear light 0..1 to code values 0..1: the sRGB curve (IEC 61966-2-1), then the body's S-curve.

    The S-curve is c + contrast (2c - 1) c (1 - c): smooth, through 0, 1/2 and 1, growing for contrast < 1.
    """
    x = np.clip(np.asarray(light, dtype=np.float64), 0.0, 1.0)
    c = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-12), 1.0 / 2.4) - 0.055)
    return np.asarray(c + contrast * (2.0 * c - 1.0) * c * (1.0 - c))


def decode_curve(contrast: float = 0.0) -> NDArray[np.float64]:
    """Linear light at code values 0, 1/1024, ..., 1: the inverse of `encode`, shape (1025,)."""
    fine = np.linspace(0.0, 1.0, 1 << 18) ** 2.2
    return np.interp(np.linspace(0.0, 1.0, 1025), encode(fine, contrast), fine)


def expose(
    light: NDArray[np.float32],
    first_row: int,
    principal_point: tuple[float, float],
    half_diagonal: float,
    how: Exposing,
    out: NDArray[np.uint8] | NDArray[np.uint16],
) -> None:
    """Write the codes of a band of rows into `out` (rows, width, 3), uint8 or uint16."""
    knots = (np.arange(_STEPS + 1) / _STEPS) ** 2
    curve = encode(knots, how.contrast) * float(np.iinfo(out.dtype).max)
    _expose(
        light,
        first_row,
        principal_point[0],
        principal_point[1],
        half_diagonal,
        np.array(how.factors, dtype=np.float32),
        np.array(how.vignetting, dtype=np.float32),
        curve.astype(np.float32),
        1.0 / how.full_well if how.full_well > 0.0 else 0.0,
        (how.read_noise / how.full_well) ** 2 if how.full_well > 0.0 else 0.0,
        how.noise_seed & 0x7FFFFFFF,
        out,
    )


@njit(cache=True, nogil=True)
def _expose(
    light: NDArray[np.float32],
    first_row: int,
    cx: float,
    cy: float,
    half_diagonal: float,
    factors: NDArray[np.float32],
    vignetting: NDArray[np.float32],
    curve: NDArray[np.float32],
    shot: float,
    read2: float,
    seed: int,
    out: NDArray[np.uint8] | NDArray[np.uint16],
) -> None:
    """Vignetting, exposure, noise (normal to four uniform draws), clipping, curve, rounding."""
    f = np.float32
    rows, w = light.shape[0], light.shape[1]
    per = 1.0 / (half_diagonal * half_diagonal)
    shot32, read32 = f(shot), f(read2)
    unit = f(1.0 / (math.sqrt(4.0 * (256.0 * 256.0 - 1.0) / 12.0)))
    top = f(1.0)
    steps = f(_STEPS)
    values = np.empty(w * 3, dtype=np.float32)
    for r in range(rows):
        y = first_row + r - cy
        for i in range(w):
            x = i - cx
            q = f((x * x + y * y) * per)
            vig = f(1.0) + q * (vignetting[0] + q * (vignetting[1] + q * vignetting[2]))
            values[3 * i] = light[r, i, 0] * factors[0] * vig
            values[3 * i + 1] = light[r, i, 1] * factors[1] * vig
            values[3 * i + 2] = light[r, i, 2] * factors[2] * vig
        if shot > 0.0:
            for i in range(3 * w):
                h = hash32(i, first_row + r, seed)
                s = np.int32(h & np.uint32(255)) + np.int32((h >> np.uint32(8)) & np.uint32(255))
                s += np.int32((h >> np.uint32(16)) & np.uint32(255)) + np.int32(h >> np.uint32(24))
                z = f(s - np.int32(510)) * unit
                v = values[i]
                values[i] = v + z * f(math.sqrt(max(v, f(0.0)) * shot32 + read32))
        for i in range(w):
            for c in range(3):
                t = f(math.sqrt(min(max(values[3 * i + c], f(0.0)), top))) * steps
                k = min(np.int32(t), np.int32(_STEPS - 1))
                code = curve[k] + (t - f(k)) * (curve[k + 1] - curve[k])
                out[r, i, c] = np.int32(code + f(0.5))
