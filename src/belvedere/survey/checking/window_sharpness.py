"""How fine the detail of one full-resolution window is, by direction, with gain and noise taken out."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

WINDOW_PX = 96
"""Side of a window."""
DIRECTIONS = 4
"""Sectors of direction, each 45 degrees wide, the first around x, then x towards y."""

_FINE = (0.12, 0.35)  # cycles a pixel: what 2 to 5 px of blur take away, and no lens or filter does
_COARSE = (0.03, 0.08)  # cycles a pixel: what such a blur leaves
_NOISE = (0.42, 0.5)  # cycles a pixel: little but noise, and not yet what compression takes away


def window_sharpness(window: NDArray[np.float32]) -> tuple[NDArray[np.float64], float]:
    """Fine-band energy over coarse-band energy of one window.

    Parameters
    ----------
    window : ndarray of shape (96, 96), float32
        Grey codes.

    Returns
    -------
    fine : ndarray of shape (4,), float64
        log of the gradient energy in the fine band of every sector over that of the coarse band of all
        directions, noise taken off; -inf where nothing is left.
    trust : float
        Share of the fine band's energy that is not noise, 0 to 1.

    References
    ----------
    The ratio of bands takes out any factor on the contrast. White noise has the same power at every
    frequency; its level is the median power at the highest frequencies over ln 2, power being exponentially
    distributed (P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967, for the periodogram).
    """
    taper, square, sectors, coarse, highest = _bands()
    values = (window - np.mean(window)) * taper
    power = np.abs(np.fft.fft2(values)) ** 2
    noise = float(np.median(power[highest])) / np.log(2.0)
    whole = np.array([float(np.sum((power * square)[s])) for s in sectors])
    floor = np.array([noise * float(np.sum(square[s])) for s in sectors])
    base = float(np.sum(((power - noise) * square)[coarse]))
    left = whole - floor
    if base <= 0.0:
        return np.full(DIRECTIONS, -np.inf), 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        fine = np.where(left > 0.0, np.log(np.maximum(left, 1e-300) / base), -np.inf)
    return fine, max(0.0, float(np.sum(left) / np.sum(whole)))


@lru_cache(maxsize=1)
def _bands() -> tuple[
    NDArray[np.float64],
    NDArray[np.float64],
    tuple[NDArray[np.bool_], ...],
    NDArray[np.bool_],
    NDArray[np.bool_],
]:
    """Taper (Hann), squared frequency, masks of the fine band's sectors, the coarse band and the noise."""
    taper = np.hanning(WINDOW_PX + 2)[1:-1]
    frequency = np.fft.fftfreq(WINDOW_PX)
    fx, fy = np.meshgrid(frequency, frequency)
    radius = np.hypot(fx, fy)
    angle = np.degrees(np.arctan2(fy, fx)) % 180.0
    fine = (radius >= _FINE[0]) & (radius < _FINE[1])
    width = 180.0 / DIRECTIONS
    sector = np.floor((angle / width + 0.5) % DIRECTIONS).astype(int)
    sectors = tuple(fine & (sector == k) for k in range(DIRECTIONS))
    coarse = (radius >= _COARSE[0]) & (radius < _COARSE[1])
    return (
        taper[:, None] * taper[None, :],
        radius**2,
        sectors,
        coarse,
        (radius >= _NOISE[0]) & (radius < _NOISE[1]),
    )


@lru_cache(maxsize=2)
def _losses(kind: Literal["motion", "disc"]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sizes of blur, px, and the loss each brings: along a motion in its own sector, of a disc in all."""
    _, _, sectors, _, _ = _bands()
    frequency = np.fft.fftfreq(WINDOW_PX)
    fx, fy = np.meshgrid(frequency, frequency)
    sizes = np.arange(0.25, 20.0, 0.25)
    if kind == "motion":
        band = sectors[0]
        passed = [np.mean(np.sinc(size * fx[band]) ** 2) for size in sizes]
    else:
        band = np.any(sectors, axis=0)
        x = np.pi * np.hypot(fx[band], fy[band])
        passed = [np.mean((2.0 * j1(x * size) / (x * size)) ** 2) for size in sizes]
    return sizes, np.maximum.accumulate(-np.log(np.array(passed)))


def blur_px(loss: float, kind: Literal["motion", "disc"]) -> float:
    """Size of the blur that takes so much off the fine band.

    Parameters
    ----------
    loss : float
        Natural log of the energy lost.
    kind : "motion" or "disc"
        An even motion, `loss` being that along it; or an even circle of confusion.

    Returns
    -------
    size : float
        Length or diameter, px, 0.25 to 20, for detail whose amplitude falls as 1 / frequency.

    References
    ----------
    The transfer functions are sin(pi f L) / (pi f L) and 2 J1(pi f D) / (pi f D): J. W. Goodman, Introduction
    to Fourier Optics, on aberrations of a circular aperture by geometrical optics (from memory).
    """
    sizes, losses = _losses(kind)
    return float(np.interp(loss, losses, sizes))
