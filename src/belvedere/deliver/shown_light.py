"""Pictures of linear light, in 16 bits or as floating-point numbers, as codes for a screen or for paper.

What comes after works on codes that step evenly to the eye, 16 bits of them at most, with white at the top:
linear light has neither. It is taken through the picture's own profile into wide primaries and their curve.

Sources: ICC.1:2022, annex F.3 (matrix and curve profiles); CIPA DC-009 (DCF 2.0), optional colour space.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.icc import Profile, read_profile
from belvedere.capture.primaries import wide_profile
from belvedere.deliver.light_codes import LightCodes
from belvedere.deliver.samples import Samples

_PART_PX = 4096  # width of what is light at a time: a whole number of tiles of any usual size
_STRAIGHT = 1e-3  # of full light: a curve nearer to a straight line is one


def is_linear(profile: bytes | None) -> bool:
    """Whether a profile says that codes are proportional to light, and what colours they mean."""
    return _linear(profile) is not None


class ShownLight:
    """Samples of a picture of light, as 16-bit codes of `primaries.wide_profile`.

    Light above white becomes white, channel by channel; what even the wide primaries cannot hold is held at
    their edge.

    Parameters
    ----------
    samples : Samples
        16-bit, or 32-bit floating-point, where 1 stands for the highest code.
    profile : bytes
        Its profile, for which `is_linear` holds. Its highest code may lie beyond white, and so may a colour
        whose channels are all at it.
    """

    bits = 16

    def __init__(self, samples: Samples, profile: bytes) -> None:
        own, wide = _linear(profile), read_profile(wide_profile())
        if own is None or own.matrix is None or wide is None or wide.matrix is None:
            raise ValueError("the profile is not one of linear light")
        self._samples = samples
        self.width, self.height = samples.width, samples.height
        self.has_coverage, self.step, self.in_squares = samples.has_coverage, samples.step, samples.in_squares
        self._full = 1.0 if samples.bits == 32 else 65535.0
        self._matrix = np.linalg.solve(wide.matrix, own.matrix).astype(np.float32)
        self._codes = LightCodes(wide.curves, 16)

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """Codes of a rectangle within the picture, (y1 - y0, x1 - x0, 3 or 4), uint16."""
        out = np.empty((y1 - y0, x1 - x0, 4 if self.has_coverage else 3), np.uint16)
        for a, b, c, d in _parts(x0, y0, x1, y1, self.step, in_squares=self.in_squares):
            found = self._samples.read(a, b, c, d)
            light = np.empty((*found.shape[:2], 4), np.float32)
            _to_wide(found, self._matrix, self._full, light)
            out[b - y0 : d - y0, a - x0 : c - x0] = self._codes.codes(light, found.shape[2])
        return out

    def close(self) -> None:
        """Let go of the file."""
        self._samples.close()


def _parts(
    x0: int, y0: int, x1: int, y1: int, step: int, *, in_squares: bool
) -> Iterator[tuple[int, int, int, int]]:
    """A rectangle in parts that touch few strips or tiles twice: light takes four times the codes' memory."""
    if in_squares:
        for x in range(x0 - x0 % _PART_PX, x1, _PART_PX):
            yield max(x, x0), y0, min(x + _PART_PX, x1), y1
    else:
        for y in range(y0 - y0 % step, y1, step):
            yield x0, max(y, y0), x1, min(y + step, y1)


def _linear(profile: bytes | None) -> Profile | None:
    read = read_profile(profile) if profile else None
    if read is None or read.space != "RGB" or read.matrix is None or len(read.curves) != 3:
        return None
    straight = np.linspace(0.0, 1.0, len(read.curves[0]))
    return read if all(np.abs(curve - straight).max() < _STRAIGHT for curve in read.curves) else None


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _to_wide(
    found: NDArray[Any],
    matrix: NDArray[np.float32],
    full: float,
    out: NDArray[np.float32],
) -> None:
    """Fill (h, w, 4) with light times coverage, and coverage, from samples (h, w, 3 or 4)."""
    h, w, samples = found.shape
    factor = np.float32(1.0 / full)
    for j in range(h):
        for i in range(w):
            alpha = np.float32(1.0)
            if samples == 4:
                alpha = np.float32(found[j, i, 3] / full)
            if not alpha > np.float32(0.0):
                for k in range(4):
                    out[j, i, k] = np.float32(0.0)
                continue
            alpha = min(alpha, np.float32(1.0))
            r = np.float32(found[j, i, 0]) * factor
            g = np.float32(found[j, i, 1]) * factor
            b = np.float32(found[j, i, 2]) * factor
            for k in range(3):
                out[j, i, k] = (matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b) * alpha
            out[j, i, 3] = alpha
