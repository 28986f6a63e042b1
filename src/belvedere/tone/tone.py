"""The tone of a set: how every camera turned scene light into codes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Response:
    """How one body's codes (0 to 1) map to scene light, after its frames' profile curve is undone.

    Parameters
    ----------
    known_from : str
        "profile" (the profile curve alone), "color-space", or "overlaps" (a smooth curve estimated on top).
    to_linear : ndarray of shape (1025,), float32
        Scene-linear light at codes 0, 1/1024, ..., 1: the whole curve from encoded sample to linear light,
        monotone, 0 at 0 and 1 at 1.
    curve : tuple of float
        The few parameters of the estimated part, () where there is none.
    """

    known_from: Literal["profile", "color-space", "overlaps"]
    to_linear: NDArray[np.float32]
    curve: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class FrameTone:
    """What the camera did to one frame's linear light: value = light * gain * white_balance * vignetting(q).

    vignetting(q) = 1 + a1 q + a2 q^2 + a3 q^3, q = (radius from the principal point / half diagonal)^2.
    value is in the picture's primaries: `to_common` @ to_linear(codes), rows of the matrix from the frame's
    own; None where its primaries are the picture's.
    """

    gain: float
    white_balance: tuple[float, float, float]
    vignetting: tuple[float, float, float]
    response: int
    to_common: tuple[tuple[float, float, float], ...] | None = None


@dataclass(frozen=True, slots=True)
class Tone:
    """Per-frame tone (None for frames not used), the responses they index, and the steps left in overlaps.

    `steps` holds (a, b, EV): median difference of corrected light b over a in log2, after correction.
    """

    frames: tuple[FrameTone | None, ...]
    responses: tuple[Response, ...]
    steps: tuple[tuple[int, int, float], ...]
    notices: tuple[str, ...] = ()
