"""Places of a simulated sensor that are at fault: always the same of one body."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.spec import SetSpec

_MEDIAN_PER_S = 4.0  # of a full well, from the dark current of a hot place; invented
_SPREAD = 1.4  # sigma of its natural logarithm; invented


@dataclass(frozen=True, slots=True)
class SensorFaults:
    """Where a sensor is at fault, rows and columns as stored.

    Parameters
    ----------
    rows, columns : ndarray of shape (n,), int64
        Of hot places.
    per_s : ndarray of shape (n,)
        What each adds in a second, as a share of the full well.
    dead_rows, dead_columns : ndarray of shape (m,), int64
        Places that give no signal.
    """

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    per_s: NDArray[np.float64]
    dead_rows: NDArray[np.int64]
    dead_columns: NDArray[np.int64]

    def add_to(self, values: NDArray[np.float32], exposure_s: float) -> None:
        """Put the faults into values (height, width), 1.0 at a full well, in place."""
        values[self.rows, self.columns] += (self.per_s * exposure_s).astype(np.float32)
        values[self.dead_rows, self.dead_columns] = 0.0


@lru_cache(maxsize=2)
def sensor_faults(spec: SetSpec) -> SensorFaults:
    """The faults of a set's body: they follow from its serial number and the sensor's size alone."""
    width, height = spec.stored_size
    rng = np.random.default_rng([zlib.crc32(spec.body.serial.encode()), width, height])
    hot = round(spec.body.hot_per_megapixel * width * height / 1e6)
    dead = round(spec.body.dead_per_megapixel * width * height / 1e6)
    drawn = np.unique(rng.integers(0, width * height, 2 * (hot + dead)))
    places = rng.permutation(drawn)[: hot + dead]
    rows, columns = places // width, places % width
    per_s = _MEDIAN_PER_S * np.exp(_SPREAD * rng.standard_normal(hot))
    return SensorFaults(rows[:hot], columns[:hot], per_s, rows[hot:], columns[hot:])
