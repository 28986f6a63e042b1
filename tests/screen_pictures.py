"""Pictures with known light, written as TIFF, to be delivered for the screen."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from belvedere.capture.primaries import srgb_profile


def srgb_light(codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1, 5.2: light of sRGB codes 0 to 1."""
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def srgb_code(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1, 5.2: sRGB codes 0 to 1 of light."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-12) ** (1 / 2.4) - 0.055)


def scene(width: int, height: int, seed: int = 5) -> NDArray[np.uint16]:
    """(h, w, 3), uint16: soft hills of colour, hard bright poles and dark lines in them."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    waves = [np.sin(x / (37 + 11 * k) + k) * np.cos(y / (53 - 9 * k) - k) for k in range(3)]
    codes = np.stack([0.45 + 0.3 * wave for wave in waves], axis=2)
    codes[:, rng.integers(0, width, max(1, width // 50))] = 0.95
    codes[rng.integers(0, height, max(1, height // 60))] *= 0.3
    return np.round(codes * 65535).astype(np.uint16)


def write_picture(
    path: Path, samples: NDArray[np.uint16] | NDArray[np.uint8], icc: bytes | None = None, **given: object
) -> Path:
    """A tiled, deflated TIFF as the stitch writes it: a fourth sample is coverage."""
    tifffile.imwrite(
        path,
        samples,
        tile=(256, 256),
        photometric="rgb",
        extrasamples=["unassalpha"] if samples.shape[2] == 4 else None,
        compression="adobe_deflate",
        predictor=2,
        iccprofile=srgb_profile() if icc is None else icc,
        metadata=None,
        **given,
    )
    return path
