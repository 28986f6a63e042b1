"""A camera's own contrast curve, from exposures of one pose whose settings tell how far they lie apart.

A JPEG's profile seldom tells the curve that the camera put on top. Two exposures of the same scene show it:
at every place the two codes must stand for lights one known step apart (P. E. Debevec, J. Malik, Recovering
high dynamic range radiance maps from photographs, SIGGRAPH 1997, from memory). The step being told, a power
of the curve is known too, which comparing frames alone never tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.response_curve import (
    PARAMETERS,
    at_codes,
    curve_table,
    is_plausible,
    power_row,
    whole_curve,
)

_DARKEST, _BRIGHTEST = 0.05, 0.985  # codes that are compared
_FEWEST = 400  # places of a pair
_MOST = 20_000
_CODE_ERROR = 0.6 / 255.0  # one sigma of a small area's mean code: compression
_FLOOR_EV = 0.02
_SAME_EV = 0.02  # steps that are one
_BEND_EV, _SIZE_EV = 0.6, 3.0  # prior sigmas of second differences and of parameters, as in the tone room
_ROUNDS = 8
_STIFFNESS = (1.0, 30.0, 1000.0)
_FAR = 2.5  # sigmas, Cauchy's
_TONES, _FEWEST_OF_A_TONE = 8, 60
_MOST_SPREAD_EV = 0.35  # beyond which the places are not the same
_NEEDED_EV = 0.05  # by which settings and pixels differ without a curve
_LEFT_EV, _LEFT_SHARE = 0.06, 0.4  # what may be left with one: of itself, of what was there without
_POWERS = (-0.45, 0.6)  # slopes that cameras' curves have on top of a profile's; the demo's: 0 to 0.45


@dataclass(frozen=True, slots=True)
class PairOfCodes:
    """Mean codes of the same small even places in a longer and a shorter exposure.

    Parameters
    ----------
    longer, shorter : ndarray of shape (n,), float64
        0 to 1, by the profile's curve of their mean light.
    step_ev : float
        log2 of the light of the longer over the shorter, by the settings.
    """

    longer: NDArray[np.float64]
    shorter: NDArray[np.float64]
    step_ev: float


def estimate_camera_curve(
    pairs: Sequence[PairOfCodes], to_linear: NDArray[np.float32]
) -> tuple[float, ...] | None:
    """Parameters, `PARAMETERS` of them, of the curve on top of a profile's, see `response_curve`.

    Returns
    -------
    tuple of float or None
        Empty where the profile's curve fits the settings. None where too little is comparable, or where no
        curve that a camera may have explains what the exposures show: settings are wrong, or things moved.
    """
    table = to_linear.astype(np.float64)
    kept = [pair for pair in (_usable(p) for p in _by_step(pairs)) if pair is not None]
    if not kept:
        return None
    misses = [_miss(pair, table) for pair in kept]
    if max(_spread(miss) for miss in misses) > _MOST_SPREAD_EV:
        return None
    plain = max(_worst_tone(pair, miss) for pair, miss in zip(kept, misses, strict=True))
    if plain < _NEEDED_EV:
        return ()
    for stiffness in _STIFFNESS:  # tones that no place shows are held by the prior alone
        found = _solved(kept, misses, table, stiffness)
        bent = whole_curve(to_linear, found)
        left = max(_worst_tone(pair, _miss(pair, bent)) for pair in kept)
        power = float(power_row(to_linear) @ found)
        fits = left < _LEFT_EV and left < _LEFT_SHARE * plain and _POWERS[0] <= power <= _POWERS[1]
        if fits and is_plausible(to_linear, found):
            return tuple(float(v) for v in found)
    return None


def _by_step(pairs: Sequence[PairOfCodes]) -> list[PairOfCodes]:
    """Pairs of the same step, of several poses, taken together."""
    steps: dict[int, list[PairOfCodes]] = {}
    for pair in pairs:
        steps.setdefault(round(pair.step_ev / _SAME_EV), []).append(pair)
    return [
        PairOfCodes(
            np.concatenate([p.longer for p in own]), np.concatenate([p.shorter for p in own]), own[0].step_ev
        )
        for _, own in sorted(steps.items())
    ]


def _usable(pair: PairOfCodes) -> PairOfCodes | None:
    """The places at which both codes are neither dark nor near white, thinned evenly; None if too few."""
    fit = (pair.shorter > _DARKEST) & (pair.longer < _BRIGHTEST)
    if np.count_nonzero(fit) < _FEWEST:
        return None
    every = max(1, -(-int(np.count_nonzero(fit)) // _MOST))
    return PairOfCodes(pair.longer[fit][::every], pair.shorter[fit][::every], pair.step_ev)


def _miss(pair: PairOfCodes, table: NDArray[np.float64]) -> NDArray[np.float64]:
    """By how much the settings' step is more than the curve's, EV."""
    return np.asarray(pair.step_ev - (_log_light(table, pair.longer) - _log_light(table, pair.shorter)))


def _log_light(table: NDArray[np.float64], codes: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.log2(np.maximum(np.interp(codes, np.linspace(0.0, 1.0, table.size), table), 1e-9))


def _worst_tone(pair: PairOfCodes, miss: NDArray[np.float64]) -> float:
    """The largest median miss of an eighth of the codes, whatever the noise."""
    tone = np.minimum((pair.longer * _TONES).astype(int), _TONES - 1)
    own = [miss[tone == k] for k in range(_TONES)]
    return max((abs(float(np.median(m))) for m in own if m.size >= _FEWEST_OF_A_TONE), default=0.0)


def _spread(values: NDArray[np.float64]) -> float:
    """Half of what lies between the tenths from both ends."""
    low, high = np.quantile(values, [0.1, 0.9])
    return float(high - low) / 2.0


def _solved(
    pairs: Sequence[PairOfCodes],
    misses: Sequence[NDArray[np.float64]],
    table: NDArray[np.float64],
    stiffness: float,
) -> NDArray[np.float64]:
    """Least squares, repeated with less say for what lies far off."""
    splines = curve_table()
    rows = np.concatenate([at_codes(splines, p.longer) - at_codes(splines, p.shorter) for p in pairs])
    wanted = np.concatenate(misses)
    errors = [np.hypot(_code_error(table, p.longer), _code_error(table, p.shorter)) for p in pairs]
    variance = np.concatenate(errors) ** 2 + _FLOOR_EV**2
    even = np.concatenate([_evenness(p) for p in pairs])
    bend = np.diff(np.eye(PARAMETERS + 1), 2, axis=0)[:, :PARAMETERS] / _BEND_EV
    prior = (bend.T @ bend + np.eye(PARAMETERS) / _SIZE_EV**2) * stiffness
    found: NDArray[np.float64] = np.zeros(PARAMETERS)
    for n in range(_ROUNDS):
        off = (wanted - rows @ found) ** 2 / variance
        say = even / variance if n == 0 else even / variance / (1.0 + off / _FAR**2)
        normal = rows.T @ (rows * say[:, None]) + prior
        found = np.asarray(np.linalg.solve(normal, rows.T @ (wanted * say)), np.float64)
    return found


def _code_error(table: NDArray[np.float64], codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """One sigma of log2 light by the error of a code."""
    rise = _log_light(table, codes + 0.005) - _log_light(table, codes - 0.005)
    return np.asarray(_CODE_ERROR * rise / 0.01)


def _evenness(pair: PairOfCodes) -> NDArray[np.float64]:
    """Say that makes every tone of a pair count alike, however often it is met; mean 1."""
    place = np.minimum((pair.longer * 16.0).astype(int), 15)
    counts = np.bincount(place, minlength=16)
    weight = 1.0 / counts[place]
    return np.asarray(weight / weight.mean())
