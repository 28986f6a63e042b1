"""What speaks for an estimated response: overlaps better explained, and settings that fix its power."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.response_curve import add_at_codes, power_row, steepness
from belvedere.tone.groups import Groups
from belvedere.tone.medians import medians
from belvedere.tone.samples import PairSamples
from belvedere.tone.solve import Solution, Unknowns

_BINS = 10  # of code values, within every pair and channel
_FEWEST = 12  # samples of a bin that counts
_LARGEST_EV = 0.3  # a bin further off is something else than a response
_SHARE = 0.8  # what must be left at most of the unexplained, as a ratio
_LEAST_EV = 0.0015  # and by how much it must fall at least
_APART_EV = 0.25  # settings that differ by more say something of the power
_MOST_FRAMES = 300  # frames whose settings are compared pair by pair
_SCATTER = 0.3  # median deviation of slopes, as a share, beyond which settings do not tell the light
_POWER_LIMIT = 0.6  # largest power either way (our choice: beyond it, something else is wrong)


def powers_from_settings(
    groups: Groups, unknowns: Unknowns, tables: list[NDArray[np.float32]]
) -> tuple[float, ...]:
    """For each response, the power that makes gains differ as the exposure settings do; 0 without evidence.

    Overlaps cannot tell it (see `response`). The median over pairs of frames of gain difference over
    settings' difference (P. K. Sen, J. Am. Stat. Assoc. 63 (1968)) is what the present curve is too steep by.
    """
    powers = []
    for response, table in enumerate(tables):
        mine = np.flatnonzero((groups.response == response) & np.isfinite(groups.exposure_ev))
        mine = mine[:: -(-mine.size // _MOST_FRAMES)] if mine.size else mine
        i, j = np.triu_indices(mine.size, 1)
        told = groups.exposure_ev[mine[j]] - groups.exposure_ev[mine[i]]
        found = unknowns.gain[mine[j]] - unknowns.gain[mine[i]]
        far = np.abs(told) > _APART_EV
        if not far.any():
            powers.append(0.0)
            continue
        slopes = found[far] / told[far]
        slope = float(np.median(slopes))
        if float(np.median(np.abs(slopes - slope))) > _SCATTER * abs(slope):
            powers.append(0.0)
            continue
        now = float(power_row(table) @ unknowns.curve[response])
        power = (1.0 + now) / slope - 1.0 if slope > 0.0 else 0.0
        powers.append(float(np.clip(power, -_POWER_LIMIT, _POWER_LIMIT)))
    return tuple(powers)


def unexplained_ev(
    samples: PairSamples, solution: Solution, groups: Groups, tables: list[NDArray[np.float32]]
) -> float:
    """RMS over pairs, channels and bins of code value of the median residual, in EV of the profile curve.

    Noise averages out of a bin's median; what a wrong response does to bright against dark stays. Residuals
    are divided by how much steeper the estimated curve is, so that a flat curve gains nothing by being flat.
    """
    pair = samples.pair_of
    steep = [steepness(t, solution.unknowns.curve[r]) for r, t in enumerate(tables)]
    medial: list[NDArray[np.float64]] = []
    for k in range(3):
        scale = np.zeros(pair.size)
        for frame, codes in ((samples.a, samples.code_a), (samples.b, samples.code_b)):
            own = groups.response[frame][pair]
            for response, slope in enumerate(steep):
                add_at_codes(slope[:, None], codes[k], np.where(own == response, 0.5, 0.0), scale[:, None])
        code = 0.5 * (samples.code_a[k] + samples.code_b[k])
        valid = np.isfinite(samples.variance[k]) & (solution.belief > 0.0)
        cell = pair[valid] * _BINS + np.minimum((code[valid] * _BINS).astype(np.int64), _BINS - 1)
        order = np.argsort(cell, kind="stable")
        first = np.searchsorted(cell[order], np.arange(samples.a.size * _BINS + 1))
        middle = medians((solution.residual[k] / scale)[valid][order], first)
        medial.append(middle[np.diff(first) >= _FEWEST])
    every = np.clip(np.concatenate(medial), -_LARGEST_EV, _LARGEST_EV)
    return float(np.sqrt(np.mean(every**2))) if every.size else 0.0


def explains_more(without_ev: float, with_ev: float) -> bool:
    """Whether the estimated curve leaves so much less unexplained that it must be real."""
    return with_ev < _SHARE * without_ev and without_ev - with_ev > _LEAST_EV
