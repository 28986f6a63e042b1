"""A picture's codes as linear light, and light back as the nearest codes, channel by channel.

Source: ICC.1:2022, 10.6 and 10.18, for the curves; where a profile has none, Exif ColorSpace decides, as in
`capture.transfer`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.frame import Metadata
from belvedere.capture.icc import TABLE_SIZE, read_profile
from belvedere.capture.transfer import read_transfer
from belvedere.deliver.samples import Codes, Light

# Where among the codes to begin looking is told by a light's exponent and first 11 bits of mantissa; near
# white that leaves a handful of 16-bit codes.
_SHIFT = 23 - 11
_DARKEST = np.float32(2.0**-24)


class LightCodes:
    """Both directions of a picture's curves; made once, used by any number of threads.

    Parameters
    ----------
    curves : sequence of ndarray of shape (1025,)
        Linear light, 0 to 1, at codes 0, 1/1024, ... 1: one for all channels, or red, green, blue. Where a
        curve falls it is held level.
    bits : 8 or 16
        Bits a sample.
    """

    def __init__(self, curves: Sequence[NDArray[np.floating]], bits: int) -> None:
        if len(curves) not in (1, 3) or bits not in (8, 16):
            raise ValueError(f"needs 1 or 3 curves and 8 or 16 bits, not {len(curves)} and {bits}")
        steps, known = 2**bits - 1, np.linspace(0.0, 1.0, TABLE_SIZE)
        rising = [np.maximum.accumulate(curve) for curve in curves]
        codes, between = np.arange(steps + 1) / steps, (np.arange(steps) + 0.5) / steps
        self._tables = np.stack([np.interp(codes, known, c) for c in rising]).astype(np.float32)
        self._bounds = np.stack([np.interp(between, known, c) for c in rising]).astype(np.float32)
        self._first = int(_DARKEST.view(np.uint32)) >> _SHIFT
        last = int(np.float32(1.0).view(np.uint32)) >> _SHIFT
        lowest = (np.arange(self._first, last + 1, dtype=np.uint32) << _SHIFT).view(np.float32)
        lowest[0] = 0.0  # all that is darker
        starts = [np.searchsorted(bounds, lowest, side="left") for bounds in self._bounds]
        self._starts = np.stack(starts).astype(np.int32)
        self._dtype: type[np.uint8] | type[np.uint16] = np.uint8 if bits == 8 else np.uint16

    def light(self, codes: Codes) -> Light:
        """Linear light times coverage, and coverage 0 to 1: (h, w, 4), of codes (h, w, 3 or 4)."""
        out = np.empty((*codes.shape[:2], 4), np.float32)
        _to_light(np.ascontiguousarray(codes), self._tables, float(np.iinfo(self._dtype).max), out)
        return out

    def codes(self, light: Light, channels: int) -> Codes:
        """Nearest codes of light times coverage and coverage: (h, w, channels).

        Parameters
        ----------
        light : ndarray of shape (h, w, 4), float32
            Light outside 0 to 1 is held at the nearer end.
        channels : 3 or 4
            Without or with coverage; all 0 where coverage rounds to 0.
        """
        if channels not in (3, 4):
            raise ValueError(f"a pixel has 3 or 4 samples, not {channels}")
        out: Codes = np.empty((*light.shape[:2], channels), self._dtype)
        whole = np.ascontiguousarray(light, dtype=np.float32)
        _to_codes(whole, self._bounds, self._starts, self._first, float(np.iinfo(self._dtype).max), out)
        return out


def light_codes(metadata: Metadata, bits: int) -> LightCodes:
    """The curves of a picture: its profile's own three, else the one its tags stand for."""
    profile = read_profile(metadata.profile) if metadata.profile else None
    if profile is not None and profile.space == "RGB" and len(profile.curves) == 3:
        return LightCodes(profile.curves, bits)
    return LightCodes([read_transfer(metadata).to_linear], bits)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _to_light(codes: Codes, tables: Light, white: float, out: Light) -> None:
    """Fill (h, w, 4) from codes (h, w, 3 or 4)."""
    h, w, samples = codes.shape
    curves = tables.shape[0]
    for j in range(h):
        for i in range(w):
            alpha = np.float32(1.0)
            if samples == 4:
                alpha = np.float32(codes[j, i, 3] / white)
            for k in range(3):
                out[j, i, k] = tables[k % curves, codes[j, i, k]] * alpha
            out[j, i, 3] = alpha


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _to_codes(
    light: Light, bounds: Light, starts: NDArray[np.int32], first: int, white: float, out: Codes
) -> None:
    """Fill codes (h, w, 3 or 4) from light (h, w, 4) times coverage."""
    h, w, samples = out.shape
    curves, last = bounds.shape[0], bounds.shape[1]
    top = starts.shape[1] - 1
    value = np.empty(1, np.float32)
    bits = value.view(np.uint32)
    for j in range(h):
        for i in range(w):
            alpha = light[j, i, 3]
            covered = int(min(max(alpha, np.float32(0.0)), np.float32(1.0)) * white + 0.5)
            if covered == 0:
                for k in range(samples):
                    out[j, i, k] = 0
                continue
            if samples == 4:
                out[j, i, 3] = covered
            for k in range(3):
                c = k % curves
                value[0] = light[j, i, k] / alpha
                v = value[0]
                if not v > np.float32(0.0):
                    out[j, i, k] = 0
                    continue
                # as many codes are darker as there are bounds between codes that the light reaches
                code = starts[c, min(max((bits[0] >> _SHIFT) - first, 0), top)]
                while code < last and bounds[c, code] <= v:
                    code += 1
                out[j, i, k] = code
