"""Stepped exposures of one pose merged in linear light, each with the say that noise and clipping leave it.

The frame of it: every exposure, divided by how much light it took, is a measurement of the same scene
(P. E. Debevec, J. Malik, Recovering high dynamic range radiance maps from photographs, SIGGRAPH 1997; M. A.
Robertson, S. Borman, R. L. Stevenson, Estimation-theoretic approach to dynamic range enhancement using
multiple exposures, Journal of Electronic Imaging 12 (2003)). Measurements of known variance are best
averaged with weights 1 / variance (M. Granados et al., Optimal HDR reconstruction with linear digital
cameras, CVPR 2010). All three cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.exposure_noise import NoiseModel

Codes = NDArray[np.uint8] | NDArray[np.uint16]

FADE_FROM, FADE_TO = 0.80, 0.95
"""Light (1 = white) over which a sample loses its say; our choice: wide against noise, so that noise near the
threshold bends nothing, and below where cameras' channels begin to saturate."""

CLIP_REACH_PX = 2
"""A sample next to a clipped one was interpolated or coded together with it: the brightest within so many px
decides. Our choice: reach of colour filter interpolation and of halved chroma."""

_ROUNDS = 2  # of weights from light and light from weights


def merge_exposures(
    codes: Codes,
    light_of_codes: NDArray[np.float32],
    exposures: NDArray[np.float64],
    noise: Sequence[NoiseModel],
    quantisation: NDArray[np.float64],
    chosen: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Merge exposures of one pose.

    A pixel's light is the mean of what the exposures measured, with weights say / variance. The variance is
    the model's at the light that all of them together give, not at the sample's own, which would favour
    samples that noise made dark. Say fades to 0 towards white; the shortest exposure keeps it, so that light
    no exposure holds comes out at its white.

    Parameters
    ----------
    codes : ndarray of shape (k, height, width, 3), uint8 or uint16
        Of exposures that took less to more light.
    light_of_codes : ndarray of shape (256,) or (65536,), float32
        Linear light of each code, 1 at white.
    exposures : ndarray of shape (k, 3), float64
        Light taken in r, g, b, the first's about 1 (the merged light is 1 at white of an exposure of 1).
    noise : sequence of k NoiseModel
    quantisation : ndarray
        See `exposure_noise.quantisation_table`.
    chosen : ndarray of shape (k, height, width), float32, or None
        Share, 0 to 1, with which a place is taken from one exposure alone, where it is not clipped; what is
        left to 1 over all exposures is merged. None: all is merged.

    Returns
    -------
    ndarray of shape (height, width, 3), float32
        Linear light. Rows within `CLIP_REACH_PX` of an edge that is not the frame's lack some neighbours.
    """
    say = fade(light_of_codes)
    brightest: Codes = np.stack([neighbourhood(own) for own in codes])  # type: ignore[assignment]
    photon = np.array([m.photon for m in noise], dtype=np.float32)
    read = np.array([m.read for m in noise], dtype=np.float32)
    light = np.empty(codes.shape[1:], np.float32)
    none = np.zeros((1, 1, 1), np.float32)
    _merge(
        codes,
        brightest,
        light_of_codes.astype(np.float32),
        say,
        np.ascontiguousarray(exposures, dtype=np.float32),
        photon,
        read,
        np.ascontiguousarray(quantisation, dtype=np.float32),
        none if chosen is None else chosen,
        chosen is not None,
        light,
    )
    return light


def fade(light_of_codes: NDArray[np.float32]) -> NDArray[np.float32]:
    """Say, 1 to 0, of a sample whose brightest neighbour has each code; smooth (3 t^2 - 2 t^3)."""
    t = np.clip((FADE_TO - light_of_codes.astype(np.float64)) / (FADE_TO - FADE_FROM), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), dtype=np.float32)


def codes_of_light(light: NDArray[np.float32], to_linear: NDArray[np.float32]) -> NDArray[np.uint16]:
    """16-bit codes of light by the inverse of a curve, held between 0 and white.

    Parameters
    ----------
    light : ndarray of shape (height, width, 3), float32
    to_linear : ndarray of shape (1025,)
        Linear light at codes 0, 1/1024, ..., 1 as `capture.transfer` has it.
    """
    table = np.maximum.accumulate(to_linear.astype(np.float64))
    roots = np.arange(_STARTS + 1) / _STARTS
    starts = np.maximum(np.searchsorted(table, roots**2, side="right") - 1, 0).astype(np.int32)
    out = np.empty(light.shape, np.uint16)
    _codes(light.reshape(-1), table, starts, out.reshape(-1))
    return out


_STARTS = 8192


def neighbourhood(codes: Codes) -> Codes:
    """The brightest code of any channel within `CLIP_REACH_PX`: (height, width)."""
    side = 2 * CLIP_REACH_PX + 1
    most: Codes = np.empty(codes.shape[:2], codes.dtype)
    _brightest_channel(codes, most)
    return cv2.dilate(most, np.ones((side, side), np.uint8))  # type: ignore[return-value]


@njit(cache=True, nogil=True, error_model="numpy")
def _merge(
    codes: Codes,
    brightest: Codes,
    light_of_codes: NDArray[np.float32],
    say: NDArray[np.float32],
    exposures: NDArray[np.float32],
    photon: NDArray[np.float32],
    read: NDArray[np.float32],
    quantisation: NDArray[np.float32],
    chosen: NDArray[np.float32],
    some_chosen: bool,
    out: NDArray[np.float32],
) -> None:
    """See `merge_exposures`. Row by row, so that every loop over a row is plain enough for the processor's
    wide registers."""
    count, height, width = codes.shape[0], codes.shape[1], codes.shape[2]
    last = np.float32(quantisation.size - 1)
    zero, one, half = np.float32(0.0), np.float32(1.0), np.float32(0.5)
    coarse = codes.itemsize == 1  # rounding to 16 bits is below every camera's noise
    y, h = np.empty((count, width), np.float32), np.ones((count, width), np.float32)
    x, top, total = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    rounding = np.zeros(width, np.float32)
    for j in range(height):
        for k in range(1, count):
            for i in range(width):
                h[k, i] = say[brightest[k, j, i]]
        for c in range(3):
            top[:] = zero
            total[:] = zero
            for k in range(count):
                e = exposures[k, c]
                own, said = y[k], h[k]
                for i in range(width):
                    own[i] = light_of_codes[codes[k, j, i, c]]
                for i in range(width):  # weights as the light itself: best where photons alone are noisy
                    top[i] += said[i] * own[i]
                    total[i] += said[i] * e
            for i in range(width):
                x[i] = max(top[i] / total[i], zero)
            for _ in range(_ROUNDS):
                top[:] = zero
                total[:] = zero
                for k in range(count):
                    e, p, r = exposures[k, c], photon[k, c], read[k, c]
                    own, said = y[k], h[k]
                    if coarse:
                        for i in range(width):
                            rounding[i] = quantisation[int(np.sqrt(min(x[i] * e, one)) * last + half)]
                    for i in range(width):
                        weight = said[i] * e / (p * min(x[i] * e, one) + r + rounding[i])
                        top[i] += weight * own[i]
                        total[i] += weight * e
                for i in range(width):
                    x[i] = max(top[i] / total[i], zero)
            if some_chosen:
                for i in range(width):
                    share, alone = zero, zero
                    for k in range(count):
                        s = chosen[k, j, i]
                        if s > zero:
                            share += s
                            alone += s * (h[k, i] * y[k, i] / exposures[k, c] + (one - h[k, i]) * x[i])
                    if share > one:
                        alone, share = alone / share, one
                    x[i] = alone + (one - share) * x[i]
            for i in range(width):
                out[j, i, c] = x[i]


@njit(cache=True, nogil=True)
def _brightest_channel(codes: Codes, out: Codes) -> None:
    for j in range(codes.shape[0]):
        for i in range(codes.shape[1]):
            out[j, i] = max(codes[j, i, 0], max(codes[j, i, 1], codes[j, i, 2]))


@njit(cache=True, nogil=True, error_model="numpy")
def _codes(
    light: NDArray[np.float32],
    table: NDArray[np.float64],
    starts: NDArray[np.int32],
    out: NDArray[np.uint16],
) -> None:
    """The inverse of a growing table, linear between its places."""
    last = table.size - 1
    steps = starts.size - 1
    for s in range(light.size):
        x = min(max(np.float64(light[s]), 0.0), 1.0)
        n = min(starts[int(np.sqrt(x) * steps)], last - 1)
        while n < last - 1 and table[n + 1] <= x:
            n += 1
        rise = table[n + 1] - table[n]
        share = min(max((x - table[n]) / rise, 0.0), 1.0) if rise > 0.0 else 0.0
        out[s] = int((n + share) / last * 65535.0 + 0.5)
