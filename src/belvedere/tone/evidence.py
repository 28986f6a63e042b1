"""Whether an estimated response explains the overlaps better than the profile curve alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.tone.samples import PairSamples
from belvedere.tone.solve import Solution, medians

_BINS = 10  # of code values, within every pair and channel
_FEWEST = 12  # samples of a bin that counts
_LARGEST_EV = 0.1  # a bin further off is something else than a response
_SHARE = 0.8  # what must be left at most of the unexplained, as a ratio
_LEAST_EV = 0.0015  # and by how much it must fall at least


def unexplained_ev(samples: PairSamples, solution: Solution) -> float:
    """RMS over pairs, channels and bins of code value of the median residual, EV.

    Noise averages out of a bin's median; what a wrong response does to bright against dark stays.
    """
    pair = samples.pair_of
    medial: list[NDArray[np.float64]] = []
    for k in range(3):
        code = 0.5 * (samples.code_a[k] + samples.code_b[k])
        valid = np.isfinite(samples.variance[k]) & (solution.belief > 0.0)
        cell = pair[valid] * _BINS + np.minimum((code[valid] * _BINS).astype(np.int64), _BINS - 1)
        order = np.argsort(cell, kind="stable")
        first = np.searchsorted(cell[order], np.arange(samples.a.size * _BINS + 1))
        middle = medians(solution.residual[k, valid][order], first)
        medial.append(middle[np.diff(first) >= _FEWEST])
    every = np.clip(np.concatenate(medial), -_LARGEST_EV, _LARGEST_EV)
    return float(np.sqrt(np.mean(every**2))) if every.size else 0.0


def explains_more(without_ev: float, with_ev: float) -> bool:
    """Whether the estimated curve leaves so much less unexplained that it must be real."""
    return with_ev < _SHARE * without_ev and without_ev - with_ev > _LEAST_EV
