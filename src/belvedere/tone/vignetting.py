"""How light falls off from the principal point."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LEAST_SHARE = 0.1
"""Relative illumination is not let fall below this anywhere on a frame (our choice)."""


def relative_illumination(vignetting: NDArray[np.float64], q: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 + a1 q + a2 q^2 + a3 q^3 for coefficients (..., 3), never below a tenth."""
    a = np.moveaxis(vignetting, -1, 0)
    return np.asarray(np.maximum(1.0 + q * (a[0] + q * (a[1] + q * a[2])), LEAST_SHARE))
