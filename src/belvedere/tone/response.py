"""A body's contrast curve on top of its profile curve: few parameters, smooth, growing.

log2 light(c) = log2 to_linear(c) + sum of r_m B_m(c), with cubic B-splines B_m over code values c. Additive
in log light, the parameters enter the comparison of two frames linearly. The last spline, the only one that
is not 0 at c = 1, is left out, so that white stays 1. Below `DARKEST` the sum is held.

Comparing frames never tells a response from a power of it (M. D. Grossberg, S. K. Nayar, Determining the
Camera Response from Images: What Is Knowable?, IEEE PAMI 25 (2003); with vignetting: D. B. Goldman, Vignette
and Exposure Calibration and Compensation, IEEE PAMI 32 (2010)). The share of a curve that is a power of
the profile curve is therefore held near none by a prior, which exposure settings that differ may overrule.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

PARAMETERS = 8
"""Number of curve parameters."""
DARKEST = 0.03
"""Code value below which the curve's correction is held."""

_BEND_EV = 0.6  # prior sigma of second differences of the parameters
_SIZE_EV = 3.0  # prior sigma of the parameters
_POWER = 0.05  # prior sigma of the exponent's departure from 1


def curve_table() -> NDArray[np.float64]:
    """The splines (1025, PARAMETERS) at code values 0, 1/1024, ..., 1."""
    codes = np.maximum(np.linspace(0.0, 1.0, 1025), DARKEST)
    inner = np.linspace(DARKEST ** (2 / 3), 1.0, PARAMETERS - 1)[1:-1] ** 1.5  # closer together in the dark
    knots = np.concatenate([[DARKEST] * 4, inner, [1.0] * 4])
    design = BSpline.design_matrix(np.minimum(codes, 1.0 - 1e-12), knots, 3).toarray()
    return np.ascontiguousarray(design[:, :PARAMETERS])


def at_codes(table: NDArray[np.float64], codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows of a (1025, m) table at code values (n,), linear between its knots: (n, m)."""
    t = np.clip(codes, 0.0, 1.0) * 1024.0
    n = np.minimum(t.astype(np.int64), 1023)
    share = (t - n)[:, None]
    return np.asarray(table[n] * (1.0 - share) + table[n + 1] * share)


def prior_precision(to_linear: NDArray[np.float32]) -> NDArray[np.float64]:
    """Precision (PARAMETERS, PARAMETERS) of a body's curve parameters about 0: bend, size and power."""
    bend = np.diff(np.eye(PARAMETERS + 1), 2, axis=0)[:, :PARAMETERS] / _BEND_EV
    precision = bend.T @ bend + np.eye(PARAMETERS) / _SIZE_EV**2
    codes = np.linspace(0.05, 0.95, 181)
    light = np.log2(np.maximum(np.interp(codes, np.linspace(0, 1, 1025), to_linear), 1e-6))
    centred = light - light.mean()
    power = centred @ at_codes(curve_table(), codes) / (centred @ centred)
    return np.asarray(precision + np.outer(power, power) / _POWER**2)


def whole_curve(to_linear: NDArray[np.float32], parameters: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light (1025,) at codes 0, 1/1024, ..., 1: the profile curve times 2^correction; not forced to grow."""
    return np.asarray(to_linear.astype(np.float64) * np.exp2(curve_table() @ parameters))


def grows(to_linear: NDArray[np.float32], parameters: NDArray[np.float64]) -> bool:
    """Whether the whole curve never falls."""
    return bool((np.diff(whole_curve(to_linear, parameters)) >= 0.0).all())
