"""How bright the light of a picture can become, told before it is drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from belvedere.compose.light import FrameLight
from belvedere.geometry.camera import Camera

_STEP_EV = 0.01
_RADII = 512


def headroom_for(cameras: Sequence[Camera], lights: Sequence[FrameLight]) -> float:
    """The largest light that any of the frames can give, in their white level, rounded up to 1/100 EV.

    A frame gives more than its white level where it is darker than the others (gain), where its corners are
    (vignetting), where colours are brought into other primaries, and where a channel clipped and the others
    tell how bright it was.

    Parameters
    ----------
    cameras : sequence of Camera
        Of the used frames.
    lights : sequence of FrameLight
        Theirs, in the same order.

    Returns
    -------
    float
        >= 1, a power of 2^(1/100).
    """
    most = max((_largest(c, light) for c, light in zip(cameras, lights, strict=True)), default=1.0)
    steps = math.ceil(math.log2(max(most, 1.0)) / _STEP_EV - 1e-9)
    return float(2.0 ** (steps * _STEP_EV))


def _largest(camera: Camera, light: FrameLight) -> float:
    """The largest light one frame can give in any channel."""
    factor = np.asarray(light.factor)
    white = np.ones(3)
    if light.to_common is not None:
        white = np.maximum(light.to_common, 0.0).sum(axis=1)
    most = float(np.max(white * factor))
    if light.neutral is not None and light.own_neutral is not None:
        brightest = max(1.0 / n for n in light.own_neutral)
        most = max(most, brightest * max(light.neutral) * float(np.max(factor)))
    corners = [(x, y) for x in (-0.5, camera.width - 0.5) for y in (-0.5, camera.height - 0.5)]
    cx, cy = camera.principal_point
    farthest = max(math.hypot(x - cx, y - cy) for x, y in corners) / camera.half_diagonal_px
    q = np.linspace(0.0, farthest**2, _RADII)
    a1, a2, a3 = light.vignetting
    return most / float(np.min(1.0 + q * (a1 + q * (a2 + q * a3))))
