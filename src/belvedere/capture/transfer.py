"""From code values to linear light, as the file's profile or its Exif colour space says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Metadata
from belvedere.capture.icc import TABLE_SIZE, read_profile

SRGB_CURVE = (2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045)
"""(g, a, b, c, d): (a x + b)^g from d on, c x below. IEC 61966-2-1:1999, 5.2."""

WIDE_CURVE = (563.0 / 256.0,)
"""The exponent of the optional colour space of CIPA DC-009 (DCF 2.0), Exif ColorSpace 2: 2.19921875."""

_CURVES_AGREE = 0.005  # of full light; channels closer than this share one curve without a word


@dataclass(frozen=True)
class Transfer:
    """A transfer curve.

    Parameters
    ----------
    known_from : {"profile", "color-space"}
        Whether the embedded profile says so, or Exif ColorSpace (sRGB where that is silent too).
    to_linear : ndarray of shape (1025,), float32
        Linear light 0 to 1 at code values 0, 1/1024, ... 1, never falling; linear in between.
    """

    known_from: Literal["profile", "color-space"]
    to_linear: NDArray[np.float32]


def read_transfer(metadata: Metadata) -> Transfer:
    """The curve that takes the code values of a file, or of merged files, to linear light.

    A profile with three curves gives the green one (see `transfer_notice`); a profile without curves that are
    understood (one made of look-up tables) is passed over. Then Exif ColorSpace 2 means the DCF optional
    colour space, anything else the sRGB curve.

    References
    ----------
    ICC.1:2022, 10.6 and 10.18; IEC 61966-2-1:1999; CIPA DC-008 (ColorSpace); CIPA DC-009.
    """
    if metadata.curve is not None:
        return Transfer("color-space", curve_table(metadata.curve).astype(np.float32))
    profile = read_profile(metadata.profile) if metadata.profile else None
    if profile is not None and profile.curves and profile.space in ("RGB", "GRAY"):
        return Transfer("profile", profile.curves[len(profile.curves) // 2].astype(np.float32))
    curve = WIDE_CURVE if metadata.color_space == 2 and profile is None else SRGB_CURVE
    return Transfer("color-space", curve_table(curve).astype(np.float32))


def transfer_notice(metadata: Metadata) -> str | None:
    """What a person should know of how the curve was chosen, in words to follow the file's name, or None."""
    if not metadata.profile:
        return None
    profile = read_profile(metadata.profile)
    if profile is None:
        return "its colour profile is damaged; taken as sRGB curve"
    if not profile.curves or profile.space not in ("RGB", "GRAY"):
        return f"its colour profile “{profile.name}” is not understood, taken as sRGB curve"
    spread = max(float(np.max(np.abs(curve - profile.curves[0]))) for curve in profile.curves)
    if spread > _CURVES_AGREE:
        return f"its colour profile “{profile.name}” has unlike curves; green's is used for all"
    return None


def curve_table(curve: tuple[float, ...]) -> NDArray[np.float64]:
    """Sample (g) or (g, a, b, c, d) at the 1025 code values of a Transfer; (1025,), float64."""
    x = np.linspace(0.0, 1.0, TABLE_SIZE)
    if len(curve) == 1:
        return np.asarray(x ** curve[0])
    g, a, b, c, d = curve
    return np.where(x >= d, (a * x + b) ** g, c * x)
