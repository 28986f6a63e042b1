"""What turns one frame's code values into scene light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera
from belvedere.tone.tone import Tone

# Code values (0 to 1) between which a sample fades from its own channel's factor to the common one.
FADE_FROM = 0.96
FADE_TO = 0.995


@dataclass(frozen=True, slots=True)
class FrameLight:
    """Scene light of code value c in channel k at (u, v): linear[k] * factor[k] / vignetting(q).

    linear = to_common @ to_linear(c) over the three channels: the matrix comes straight after the curve, so
    that what is compared between frames, and every factor found so, is in the picture's primaries. It may
    be below 0 where those cannot hold a colour. vignetting(q) = 1 + a1 q + a2 q^2 + a3 q^3, q = (distance of
    (u, v) from the principal point / half diagonal)^2.

    A sample with any channel near its white has lost its colour: from `FADE_FROM` to `FADE_TO` all three
    channels fade to the green channel's factor, so that clipped light stays neutral. The matrix takes
    equal channels to equal channels; the factors alone do not.

    In scene light white is no equal channels but the `neutral`, and a clipped channel lies below it. There
    such a sample fades to neutral[k] * max over channels of (linear / neutral), what a white would have given
    that the channels which did not clip have seen as bright: light above 1 where they say so.

    Parameters
    ----------
    to_linear : ndarray of shape (1025,), float32
        Linear light at codes 0, 1/1024, ..., 1; between them linear.
    factor : tuple of 3 float
        1 / (gain * white balance) of r, g, b.
    vignetting : tuple of 3 float
        (a1, a2, a3).
    principal_point : tuple of 2 float
        px of the full frame as displayed.
    half_diagonal_px : float
        px of the full frame.
    to_common : ndarray of shape (3, 3), float32, or None
        What takes the frame's linear RGB to the picture's primaries; None where they are the same.
    neutral : tuple of 3 float, or None
        In scene light: white in the picture's primaries, > 0, the largest 1.
    """

    to_linear: NDArray[np.float32]
    factor: tuple[float, float, float]
    vignetting: tuple[float, float, float]
    principal_point: tuple[float, float]
    half_diagonal_px: float
    to_common: NDArray[np.float32] | None = None
    neutral: tuple[float, float, float] | None = None

    @property
    def own_neutral(self) -> tuple[float, float, float] | None:
        """White in the frame's own primaries."""
        if self.neutral is None or self.to_common is None:
            return self.neutral
        red, green, blue = np.linalg.solve(self.to_common.astype(np.float64), self.neutral)
        return float(red), float(green), float(blue)


def frame_light(
    tone: Tone, camera: Camera, frame: int, neutral: tuple[float, float, float] | None = None
) -> FrameLight:
    """The light of one frame; `neutral` in scene light.

    Raises
    ------
    ValueError
        If `tone` holds nothing for this frame, or its gain or white balance is not positive.
    """
    own = tone.frames[frame]
    if own is None:
        raise ValueError(f"frame {frame} has no tone: only used frames can be drawn")
    parts = [own.gain * w for w in own.white_balance]
    if not all(np.isfinite(p) and p > 0.0 for p in parts):
        raise ValueError(f"frame {frame} needs positive gain and white balance, got {own}")
    return FrameLight(
        to_linear=np.ascontiguousarray(tone.responses[own.response].to_linear, dtype=np.float32),
        factor=(1.0 / parts[0], 1.0 / parts[1], 1.0 / parts[2]),
        vignetting=own.vignetting,
        principal_point=camera.principal_point,
        half_diagonal_px=camera.half_diagonal_px,
        to_common=None if own.to_common is None else np.array(own.to_common, dtype=np.float32),
        neutral=neutral,
    )


def plain_light(
    camera: Camera, to_linear: NDArray[np.float32] | None = None, gain: float = 1.0
) -> FrameLight:
    """The light of a frame nothing is known of but its response (None: codes are linear light)."""
    table = np.linspace(0.0, 1.0, 1025, dtype=np.float32) if to_linear is None else to_linear
    return FrameLight(
        to_linear=np.ascontiguousarray(table, dtype=np.float32),
        factor=(1.0 / gain, 1.0 / gain, 1.0 / gain),
        vignetting=(0.0, 0.0, 0.0),
        principal_point=camera.principal_point,
        half_diagonal_px=camera.half_diagonal_px,
    )
