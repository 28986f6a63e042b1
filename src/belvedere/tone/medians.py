"""Medians of many short runs of values."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


@njit(cache=True, nogil=True)
def medians(values: NDArray[np.float64], first: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of values[first[i]:first[i + 1]] for every i; 0 where there is none."""
    middle = np.zeros(first.size - 1)
    for i in range(first.size - 1):
        count = first[i + 1] - first[i]
        if count > 0:
            ordered = np.sort(values[first[i] : first[i + 1]])
            middle[i] = (ordered[(count - 1) // 2] + ordered[count // 2]) / 2.0
    return middle
