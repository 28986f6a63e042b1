"""A body's contrast curve on top of its profile curve: few parameters, smooth, growing.

log2 light(c) = log2 to_linear(c) + sum of r_m B_m(c), with cubic B-splines B_m over code values c. Additive
in log light, the parameters enter the comparison of two frames linearly. The last spline, the only one that
is not 0 at c = 1, is left out, so that white stays 1. Below `DARKEST` the sum is held.

Comparing frames never tells a response from a power of it (M. D. Grossberg, S. K. Nayar, Determining the
Camera Response from Images: What Is Knowable?, IEEE PAMI 25 (2003); with vignetting: D. B. Goldman, Vignette
and Exposure Calibration and Compensation, IEEE PAMI 32 (2010)). The share of a curve that is a power of
the profile curve is therefore held (`power_row`): at none, or at what exposure settings that differ say.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import BSpline

PARAMETERS = 8
"""Number of curve parameters."""
DARKEST = 0.03
"""Code value below which the curve's correction is held."""

_BEND_EV = 0.6  # prior sigma of second differences of the parameters
_SIZE_EV = 3.0  # prior sigma of the parameters
_LEAST_STEEP, _MOST_STEEP = 0.25, 2.5  # our choice: the demo bodies reach 0.67 and 1.31
_POWER = 1e-5  # sigma with which the power is held: nothing the overlaps say may move it


def curve_table() -> NDArray[np.float64]:
    """The splines (1025, PARAMETERS) at code values 0, 1/1024, ..., 1."""
    codes = np.maximum(np.linspace(0.0, 1.0, 1025), DARKEST)
    inner = np.linspace(DARKEST ** (2 / 3), 1.0, PARAMETERS - 1)[1:-1] ** 1.5  # closer together in the dark
    knots = np.concatenate([[DARKEST] * 4, inner, [1.0] * 4])
    design = BSpline.design_matrix(np.minimum(codes, 1.0 - 1e-12), knots, 3).toarray()
    return np.ascontiguousarray(design[:, :PARAMETERS])


def at_codes(table: NDArray[np.float64], codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows of a (1025, m) table at code values (n,) 0 to 1, linear between its knots: (n, m)."""
    out = np.zeros((codes.size, table.shape[1]))
    add_at_codes(table, np.ascontiguousarray(codes), np.ones(codes.size), out)
    return out


@njit(cache=True, nogil=True)
def add_at_codes(
    table: NDArray[np.float64],
    codes: NDArray[np.float64],
    factor: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Add factor (n,) times the table's rows at code values (n,) to out (n, m)."""
    last = table.shape[0] - 1
    for s in range(codes.size):
        t = min(max(codes[s], 0.0), 1.0) * last
        n = min(int(t), last - 1)
        share = t - n
        for m in range(table.shape[1]):
            out[s, m] += factor[s] * (table[n, m] * (1.0 - share) + table[n + 1, m] * share)


def power_row(to_linear: NDArray[np.float32]) -> NDArray[np.float64]:
    """Row (PARAMETERS,) that takes curve parameters to their power p: log2 light changes like 1 + p times.

    p is the slope of the curve's correction over log2 of the profile's light, codes 0.05 to 0.95 alike.
    """
    codes = np.linspace(0.05, 0.95, 181)
    light = np.log2(np.maximum(np.interp(codes, np.linspace(0, 1, 1025), to_linear), 1e-6))
    centred = light - light.mean()
    return np.asarray(centred @ at_codes(curve_table(), codes) / (centred @ centred))


def curve_prior(
    to_linear: NDArray[np.float32], power: float, stiffness: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Precision (PARAMETERS, PARAMETERS) of a curve's parameters, and that times their mean (PARAMETERS,).

    Bend and size are held about 0, `stiffness` times as firmly as usual, the power firmly at `power`.
    """
    bend = np.diff(np.eye(PARAMETERS + 1), 2, axis=0)[:, :PARAMETERS] / _BEND_EV
    loose = (bend.T @ bend + np.eye(PARAMETERS) / _SIZE_EV**2) * stiffness
    row = power_row(to_linear) / _POWER
    return np.asarray(loose + np.outer(row, row)), np.asarray(row * power / _POWER)


def whole_curve(to_linear: NDArray[np.float32], parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light (1025,) at codes 0, 1/1024, ..., 1: the profile curve times 2^correction; not forced to grow."""
    return np.asarray(to_linear.astype(np.float64) * np.exp2(curve_table() @ parameters))


def steepness(to_linear: NDArray[np.float32], parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slope (1025,) of log2 light by the whole curve over that by the profile alone, at least 0.1."""
    plain = np.gradient(np.log2(np.maximum(to_linear.astype(np.float64), 1e-12)))
    bend = np.gradient(curve_table() @ parameters)
    return np.asarray(np.maximum(1.0 + bend / np.maximum(plain, 1e-6), 0.1))


def is_plausible(to_linear: NDArray[np.float32], parameters: NDArray[np.float64]) -> bool:
    """Whether the whole curve never falls and is of a steepness a camera's may have from code 0.1 to 0.9."""
    steep = steepness(to_linear, parameters)[103:922]
    grows = bool((np.diff(whole_curve(to_linear, parameters)) >= 0.0).all())
    return grows and float(steep.min()) > _LEAST_STEEP and float(steep.max()) < _MOST_STEEP
