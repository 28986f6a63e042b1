"""Whether rows shot after a marker cover the directions of rows shot before it once more."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

# Common practice, no published source.
_LEAST = 3  # poses of a row
_AS_HIGH = 0.25  # of the field, within which two poses are of one height: rows of a set lie further apart
_BESIDE = 0.6  # of a step, within which the nearest pose of the other row lies: half, and some error
_COMPLETE = 0.8  # share of either row's poses that the other covers


def covers_again(
    earlier: Sequence[int],
    later: Sequence[int],
    yaw: NDArray[np.float64],
    pitch: NDArray[np.float64],
    step: float,
    field: float,
) -> bool:
    """Whether later poses cover the directions of earlier ones of the same height, and the other way about.

    The poses themselves need not be the same: rows begun half a step apart share none.

    Parameters
    ----------
    earlier, later : sequence of int
        Indices of poses.
    yaw, pitch : ndarray of shape (n,)
        Of all poses, rad.
    step : float
        Typical turn from pose to pose, rad.
    field : float
        Angle of view across the frames' short side, rad.
    """
    a, b = np.asarray(earlier, dtype=np.int64), np.asarray(later, dtype=np.int64)
    if len(a) < _LEAST or len(b) < _LEAST:
        return False
    around = (yaw[b][:, None] - yaw[a][None, :] + np.pi) % (2.0 * np.pi) - np.pi
    across = np.abs(around) * np.cos(pitch[b])[:, None]
    as_high = np.abs(pitch[b][:, None] - pitch[a][None, :]) < _AS_HIGH * field
    same = as_high & (across < _BESIDE * step)
    rows = np.any(as_high, axis=0)
    return bool(
        np.count_nonzero(rows) >= _LEAST
        and np.any(same, axis=1).mean() >= _COMPLETE
        and np.any(same[:, rows], axis=0).mean() >= _COMPLETE
    )
