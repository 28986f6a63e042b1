"""From a picture's codes to the 8-bit sRGB that screens expect, and to linear light on the way.

Sources: IEC 61966-2-1:1999 (sRGB); ICC.1:2022, annex F.3 (matrix and curve profiles, relative colorimetric).
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from PIL import Image, ImageCms

from belvedere.capture.icc import TABLE_SIZE, read_profile
from belvedere.capture.primaries import srgb_profile
from belvedere.capture.transfer import SRGB_CURVE, curve_table

_LIGHT_STEPS = 65535
"""Steps of linear light in the table of codes: a twentieth of a code of 8 bits where sRGB is steepest."""


@dataclass(frozen=True)
class ScreenColour:
    """How one picture's codes become sRGB.

    Parameters
    ----------
    to_light : ndarray of shape (3, 256) or (3, 65536), float32
        Linear light, 0 to 1, of every code of red, green and blue.
    to_srgb : ndarray of shape (3, 3), float32
        Linear RGB of the picture to linear sRGB. What leaves 0 to 1 there is held at the nearer end, channel
        by channel, as relative colorimetric conversion between such profiles does.
    look_up : bytes or None
        The picture's profile where it has no matrix and curves: then `to_light` is sRGB's curve, `to_srgb` is
        the identity, and the 8-bit result is converted once more, by LittleCMS.
    notice : str or None
        What a person should know, one sentence.
    """

    to_light: NDArray[np.float32]
    to_srgb: NDArray[np.float32]
    look_up: bytes | None = None
    notice: str | None = None

    def light(self, codes: NDArray[Any]) -> NDArray[np.float32]:
        """Linear light times coverage, and coverage: (h, w, 4), float32, of codes (h, w, 3 or 4)."""
        out = np.empty((*codes.shape[:2], 4), np.float32)
        _light(np.ascontiguousarray(codes), self.to_light, float(self.to_light.shape[1] - 1), out)
        return out

    def encode(
        self, light: NDArray[np.float32], ground: tuple[int, int, int] = (0, 0, 0)
    ) -> NDArray[np.uint8]:
        """sRGB codes of light times coverage and coverage (h, w, 4), laid on a ground.

        Parameters
        ----------
        ground : tuple of 3 int
            sRGB codes, 0 to 255, of what shows where nothing was photographed.

        Returns
        -------
        ndarray of shape (h, w, 3), uint8
        """
        out = np.empty((*light.shape[:2], 3), np.uint8)
        below = curve_table(SRGB_CURVE)
        shown = np.interp(np.array(ground) / 255.0, np.linspace(0.0, 1.0, TABLE_SIZE), below)
        _encode(
            np.ascontiguousarray(light, dtype=np.float32),
            self.to_srgb,
            shown.astype(np.float32),
            srgb_codes(),
            out,
        )
        return out if self.look_up is None else _converted(out, light, self.look_up, ground)

    def convert(self, codes: NDArray[Any], ground: tuple[int, int, int] = (0, 0, 0)) -> NDArray[np.uint8]:
        """sRGB codes (h, w, 3), uint8, of the picture's codes (h, w, 3 or 4), laid on a ground."""
        return self.encode(self.light(codes), ground)


def screen_colour(profile: bytes | None, bits: int) -> ScreenColour:
    """How a picture with this profile becomes sRGB.

    Parameters
    ----------
    profile : bytes or None
        Its ICC profile; None is taken as sRGB, which is what a browser would do too.
    bits : 8 or 16
        Bits a sample.
    """
    if bits not in (8, 16):
        raise ValueError(f"a sample has 8 or 16 bits, not {bits}")
    plain = _tables([curve_table(SRGB_CURVE)] * 3, bits)
    same = np.eye(3, dtype=np.float32)
    if profile is None:
        return ScreenColour(plain, same, None, "it carries no colour profile; taken as sRGB")
    read = read_profile(profile)
    if read is None:
        return ScreenColour(plain, same, None, "its colour profile is damaged; taken as sRGB")
    if read.space == "GRAY" and read.curves:
        return ScreenColour(_tables([read.curves[0]] * 3, bits), same)
    if read.space == "RGB" and len(read.curves) == 3 and read.matrix is not None:
        srgb = read_profile(srgb_profile())
        assert srgb is not None
        assert srgb.matrix is not None
        matrix = np.linalg.solve(srgb.matrix, read.matrix).astype(np.float32)
        return ScreenColour(_tables(list(read.curves), bits), matrix)
    if read.space == "RGB" and _lcms_takes(profile):
        return ScreenColour(plain, same, profile)
    return ScreenColour(
        plain, same, None, f"its colour profile “{read.name}” is not understood; taken as sRGB"
    )


@cache
def srgb_codes() -> NDArray[np.uint8]:
    """The sRGB code of linear light 0, 1/65535, ... 1: (65536,), uint8, rounded."""
    x = np.arange(_LIGHT_STEPS + 1) / _LIGHT_STEPS
    encoded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1.0 / 2.4) - 0.055)
    return np.floor(np.clip(encoded, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)


def _tables(curves: list[NDArray[np.float64]], bits: int) -> NDArray[np.float32]:
    codes = np.linspace(0.0, 1.0, 2**bits)
    known = np.linspace(0.0, 1.0, TABLE_SIZE)
    return np.stack([np.interp(codes, known, curve) for curve in curves]).astype(np.float32)


def _lcms_takes(profile: bytes) -> bool:
    try:
        _transform(profile)
    except (ImageCms.PyCMSError, OSError, ValueError):
        return False
    return True


@cache
def _transform(profile: bytes) -> ImageCms.ImageCmsTransform:
    return ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile())),
        "RGB",
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )


def _converted(
    codes: NDArray[np.uint8], light: NDArray[np.float32], profile: bytes, ground: tuple[int, int, int]
) -> NDArray[np.uint8]:
    """Codes of the picture's own space by LittleCMS; the ground, which is sRGB already, is left."""
    image = Image.fromarray(codes)
    done = ImageCms.applyTransform(image, _transform(profile))
    assert done is not None
    out = np.array(done, np.uint8)
    out[light[..., 3] <= 0.0] = ground
    return out


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _light(
    codes: NDArray[np.uint16], to_light: NDArray[np.float32], white: float, out: NDArray[np.float32]
) -> None:
    """Fill (h, w, 4): light times coverage and coverage of codes (h, w, 3 or 4)."""
    h, w, samples = codes.shape
    for j in range(h):
        for i in range(w):
            alpha = np.float32(1.0)
            if samples == 4:
                alpha = np.float32(codes[j, i, 3] / white)
            for k in range(3):
                out[j, i, k] = to_light[k, codes[j, i, k]] * alpha
            out[j, i, 3] = alpha


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _encode(
    light: NDArray[np.float32],
    matrix: NDArray[np.float32],
    ground: NDArray[np.float32],
    table: NDArray[np.uint8],
    out: NDArray[np.uint8],
) -> None:
    """Fill codes (h, w, 3) from light times coverage and coverage (h, w, 4), laid on `ground`."""
    h, w = light.shape[:2]
    for j in range(h):
        for i in range(w):
            alpha = light[j, i, 3]
            share = np.float32(1.0)
            if alpha > np.float32(1.0):  # a resampling kernel overshoots beside an edge of the coverage
                share = np.float32(1.0) / alpha
            rest = max(np.float32(0.0), np.float32(1.0) - alpha)
            r, g, b = light[j, i, 0] * share, light[j, i, 1] * share, light[j, i, 2] * share
            for k in range(3):
                value = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b + rest * ground[k]
                value = min(max(value, np.float32(0.0)), np.float32(1.0))
                out[j, i, k] = table[int(value * np.float32(65535.0) + np.float32(0.5))]
