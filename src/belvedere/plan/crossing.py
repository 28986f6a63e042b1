"""When a height that changes smoothly with time passes zero."""

from __future__ import annotations

import math
from collections.abc import Callable

_STEP_S = 600.0
_CLOSE_ENOUGH_S = 0.5


def crossings(height: Callable[[float], float], start_s: float, end_s: float) -> list[tuple[float, bool]]:
    """Find the times at which a height passes zero, in order.

    Looks every ten minutes, then halves the interval: a rise and a set less than ten minutes apart may be
    missed.

    Parameters
    ----------
    height : callable
        Seconds to height, any unit.
    start_s, end_s : float
        Seconds; start <= end.

    Returns
    -------
    found : list of (float, bool)
        Seconds, to half a second, and whether the height rises through zero.
    """
    steps = max(1, math.ceil((end_s - start_s) / _STEP_S))
    times = [start_s + (end_s - start_s) * i / steps for i in range(steps + 1)]
    up = [height(t) > 0.0 for t in times]
    found = []
    for i in range(steps):
        if up[i] == up[i + 1]:
            continue
        low, high = times[i], times[i + 1]
        while high - low > _CLOSE_ENOUGH_S:
            middle = (low + high) / 2
            if (height(middle) > 0.0) == up[i]:
                low = middle
            else:
                high = middle
        found.append(((low + high) / 2, up[i + 1]))
    return found
