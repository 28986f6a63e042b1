"""The interpolation kernel: six taps for each of 1025 sub-pixel phases.

Weighted least squares fractional delay design: for each phase t the taps h(-2..3) minimise the integral
over 0..BAND of W(f) |H(f) - exp(2 pi i f t)|^2 with sum(h) = 1 and sum(k h_k) = t, so that constants and
ramps come through exactly. W(f) = 1 / (f/BAND + 0.1) favours the coarse detail that pictures hold most
of. Beyond the band the response is left free, which is what lets six taps stay level up to 0.4 cycles/px
where a windowed sinc of the same length falls off. The figures, beside Lanczos3, are in
docs/resampling.md.

References
----------
T. I. Laakso, V. Välimäki, M. Karjalainen, U. K. Laine, Splitting the Unit Delay, IEEE Signal Processing
Magazine 13(1), 1996, 30-60: general least squares approximation (weighted, band 0 to alpha pi).
G. Oetken, A New Approach for the Design of Digital Interpolating Filters, IEEE Trans. ASSP 27(6), 1979.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

TAPS = 6
FIRST_TAP = -2  # tap k lies at the pixel floor(u) + FIRST_TAP + k
PHASES = 1024  # sub-pixel steps a px; the table holds one row more, so that phase 1 needs no special case
BAND = 0.39  # cycles/px up to which the kernel is fitted
_FREQUENCIES = 512


def least_squares_taps(phase: float, *, taps: int = TAPS, band: float = BAND) -> NDArray[np.float64]:
    """Taps of the fractional delay `phase` (0 to 1 px), unit sum, first moment `phase`.

    Parameters
    ----------
    phase : float
        Position between the pixel floor(u) and the next, px.
    taps : int
        Even length; the first lies at 1 - taps/2.
    band : float
        Upper edge of the fitted band, cycles/px, 0 < band <= 0.5.

    Returns
    -------
    taps : ndarray of shape (taps,), float64
        Solved from the normal equations with two Lagrange multipliers.
    """
    k = np.arange(taps) + (1 - taps // 2)
    f = (np.arange(_FREQUENCIES) + 0.5) * (band / _FREQUENCIES)
    weight = 1.0 / (f / band + 0.1)
    weight /= weight.sum()
    system = np.zeros((taps + 2, taps + 2))
    system[:taps, :taps] = np.cos(2.0 * np.pi * np.subtract.outer(k, k)[..., None] * f) @ weight
    system[taps, :taps] = system[:taps, taps] = 1.0
    system[taps + 1, :taps] = system[:taps, taps + 1] = k
    right = np.cos(2.0 * np.pi * np.multiply.outer(k - phase, f)) @ weight
    return np.asarray(np.linalg.solve(system, np.concatenate([right, [1.0, phase]]))[:taps])


def lanczos3_taps(phase: float) -> NDArray[np.float64]:
    """Six taps of the Lanczos-windowed sinc with three lobes, unit sum: what the table is compared with."""
    x = np.arange(6) - 2 - phase
    h = np.sinc(x) * np.sinc(x / 3.0)
    return np.asarray(h / h.sum())


@cache
def kernel_table() -> NDArray[np.float32]:
    """Taps at phases 0, 1/1024, ..., 1: shape (1025, 6), float32, read-only; phases 0 and 1 are single taps.

    Mirror-symmetric by construction: the taps of 1 - t are those of t reversed. Rounded to multiples of
    2^-20, every row summing to exactly 1, so that the table does not depend on the linear algebra library's
    last bits and a constant stays the same constant.
    """
    half = PHASES // 2
    table = np.empty((PHASES + 1, TAPS))
    for i in range(half + 1):
        units = np.rint(least_squares_taps(i / PHASES) * 2.0**20)
        units[np.argmax(units)] += 2.0**20 - units.sum()
        if i == half:  # the middle phase is its own mirror image
            units = (units + units[::-1]) / 2.0
        table[i] = units / 2.0**20
        table[PHASES - i] = table[i, ::-1]
    out = table.astype(np.float32) + np.float32(0.0)  # no negative zeros
    out.flags.writeable = False
    return out


@cache
def smooth_table() -> NDArray[np.float32]:
    """Taps of the quintic B-spline, as `kernel_table`: a low pass, for the coarse levels of the blend.

    Two frames show a sharp edge at different sub-pixel phases. What their coarse copies differ by because of
    that would be carried to both sides of a seam as if it were tone; this kernel lets next to nothing through
    where copies alias (sinc^6: 0.07 at 0.5 cycles/px, where an interpolating kernel has about 0.5).

    References
    ----------
    M. Unser, Splines: A Perfect Fit for Signal and Image Processing, IEEE Signal Processing Magazine 16(6),
    1999, equation (3).
    """
    t = np.arange(PHASES + 1) / PHASES
    table = np.zeros((PHASES + 1, TAPS))
    for k in range(TAPS):
        x = np.abs(t - (k + FIRST_TAP))[:, None] + 3.0 - np.arange(7.0)
        powers = np.where(x > 0.0, x, 0.0) ** 5
        table[:, k] = powers @ (np.array([1.0, -6.0, 15.0, -20.0, 15.0, -6.0, 1.0]) / 120.0)
    units = np.rint(table * 2.0**20)
    units[np.arange(PHASES + 1), np.argmax(units, axis=1)] += 2.0**20 - units.sum(axis=1)
    out = (units / 2.0**20).astype(np.float32) + np.float32(0.0)
    out.flags.writeable = False
    return out


def power_response(taps: NDArray[np.floating], frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
    """|H(f)|^2 of taps (..., n) at `frequencies` (cycles/px): shape (..., len(frequencies))."""
    n = taps.shape[-1]
    e = np.exp(2j * np.pi * np.multiply.outer(np.arange(n), frequencies))
    return np.asarray(np.abs(taps.astype(np.float64) @ e) ** 2)


def energy_kept(table: NDArray[np.floating], low: float = 0.25, high: float = 0.40) -> tuple[float, float]:
    """Share of a flat spectrum's energy that interpolation keeps, averaged over the table's phases.

    Returns
    -------
    along_an_axis : float
        For detail that varies along one axis of the frame, low to high cycles/px.
    all_directions : float
        For isotropic detail, over the ring low <= hypot(fx, fy) <= high.
    """
    f = np.linspace(-0.5, 0.5, 401)
    m = power_response(table, f).mean(axis=0)
    line = (np.abs(f) >= low) & (np.abs(f) <= high)
    radius = np.hypot(*np.meshgrid(f, f))
    ring = (radius >= low) & (radius <= high)
    return float(m[line].mean()), float(np.outer(m, m)[ring].mean())


def step_overshoot(table: NDArray[np.floating]) -> float:
    """Largest overshoot on a unit step edge over all phases, as a share of the step."""
    edge = np.cumsum(table.astype(np.float64), axis=-1)
    return float(max(edge.max() - 1.0, -edge.min()))
