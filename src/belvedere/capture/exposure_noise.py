"""How noisy light is at every brightness: photons and readout, estimated from exposures of the same scene."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.errors import BelvedereError

USUAL_PHOTON, USUAL_READ = 1.0 / 25000.0, (4.0 / 25000.0) ** 2
"""Of a camera nothing is known of, at ISO 100: 25,000 electrons at white, 4 of readout noise; our choice."""

QUANTISATION_KNOTS = 1025
"""Places of a table of quantisation noise; place i stands for light (i / 1024)^2."""

_BINS = np.geomspace(2e-4, 0.7, 25)
_FEWEST = 150  # samples of a bin
_FEWEST_BINS = 4
_TRUNCATE = 3.5  # robust sigmas beyond which a difference is a thing that moved
_TRUNCATED_SHARE = 0.99663  # standard deviation of a normal variable truncated there; computed
_SAFE = 2.5  # readout sigmas of light below which the clamp at black bends what is measured
_LEAST_PHOTON = 1e-6  # a million electrons
_FAR_OFF = 0.3  # of a bin's logarithm: most of its samples moved
_ROUNDS = 6
_SPREAD = 1.0 / 6.0  # one sigma of a bin's variance beside counting: texture, compression


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of a sample of linear light y (1 = white): photon y + read + quantisation.

    Parameters
    ----------
    photon : tuple of 3 float
        Of r, g, b: 1 / electrons at white, > 0.
    read : tuple of 3 float
        Readout variance in units of white^2, >= 0.
    block_factor : float
        By how much noise of the mean of neighbours exceeds that of as many samples on their own, as variance,
        >= 1: colour filters interpolated, JPEG.
    measured : bool
        Whether the frames said so; else it is a usual camera's.

    References
    ----------
    M. Granados, B. Ajdin, M. Wand, C. Theobalt, H.-P. Seidel, H. P. A. Lensch, Optimal HDR reconstruction
    with linear digital cameras, CVPR 2010, section 3 (from memory).
    """

    photon: tuple[float, float, float] = (USUAL_PHOTON,) * 3
    read: tuple[float, float, float] = (USUAL_READ,) * 3
    block_factor: float = 1.0
    measured: bool = False

    def at_sensitivity(self, factor: float) -> NoiseModel:
        """The model at `factor` times the sensitivity: fewer electrons at white, readout amplified.

        Readout noise in electrons is held: common practice, no published source.
        """
        red, green, blue = (p * factor for p in self.photon)
        dark = tuple(r * factor * factor for r in self.read)
        return NoiseModel((red, green, blue), (dark[0], dark[1], dark[2]), self.block_factor, self.measured)


USUAL_NOISE = NoiseModel()


def quantisation_table(light_of_codes: NDArray[np.float32]) -> NDArray[np.float64]:
    """Variance of rounding to codes, at light (i / 1024)^2: (step of light)^2 / 12.

    Parameters
    ----------
    light_of_codes : ndarray of shape (256,) or (65536,)
        Linear light 0 to 1 of every code, never falling.
    """
    light = light_of_codes.astype(np.float64)
    step = np.maximum.accumulate(np.gradient(light))
    at = (np.arange(QUANTISATION_KNOTS) / (QUANTISATION_KNOTS - 1)) ** 2
    return np.asarray(np.interp(at, light, step) ** 2 / 12.0)


@dataclass(frozen=True, slots=True)
class PairedLight:
    """Samples of the same places in a longer and a shorter exposure, texture and white left out.

    Parameters
    ----------
    longer, shorter : ndarray of shape (n, 3), float
        Linear light, each 1 at its own white.
    ratio : float
        Light of the longer over the shorter, > 0.
    sensitivity : tuple of 2 float
        Of the longer and of the shorter, over that the model is wanted for.
    """

    longer: NDArray[np.float32]
    shorter: NDArray[np.float32]
    ratio: float
    sensitivity: tuple[float, float] = (1.0, 1.0)


def estimate_noise(pairs: Sequence[PairedLight], quantisation: NDArray[np.float64]) -> NoiseModel:
    """Fit photon and readout noise to how far exposures of the same scene lie apart.

    Where nothing moved, longer - ratio shorter has the variance that the model gives the two, whatever the
    texture. In bins of light its spread is measured, robustly against what moved.

    Returns
    -------
    NoiseModel
        `measured` is False, and the usual camera's is given, where too little is comparable.

    Raises
    ------
    BelvedereError
        If a ratio is not above 0.
    """
    if any(not pair.ratio > 0.0 for pair in pairs):
        raise BelvedereError("ratios of exposures need to be above 0")
    found = [_fit(_bins(pairs, quantisation, channel)) for channel in range(3)]
    known = [f for f in found if f is not None]
    if not known:
        return NoiseModel()
    usual = known[len(known) // 2]
    (pr, rr), (pg, rg), (pb, rb) = (f or usual for f in found)
    return NoiseModel((pr, pg, pb), (rr, rg, rb), measured=True)


@dataclass(frozen=True, slots=True)
class _Bin:
    """Variance measured in a bin of light, what of it is known, and how photon and readout noise enter it."""

    variance: float
    known: float
    photon: float
    read: float
    count: int
    darkest: float


def _bins(pairs: Sequence[PairedLight], quantisation: NDArray[np.float64], channel: int) -> list[_Bin]:
    out = []
    for pair in pairs:
        r, (long_gain, short_gain) = pair.ratio, pair.sensitivity
        y = pair.longer[:, channel].astype(np.float64)
        difference = y - r * pair.shorter[:, channel]
        middle = 0.5 * (y + r * pair.shorter[:, channel])  # less bent by the noise of the two than either
        place = np.digitize(middle, _BINS)
        for k in range(1, _BINS.size):
            own = difference[place == k]
            if own.size < _FEWEST:
                continue
            light = float(np.sqrt(_BINS[k - 1] * _BINS[k]))
            out.append(
                _Bin(
                    _spread(own) ** 2,
                    _quantised(quantisation, light) + r * r * _quantised(quantisation, light / r),
                    light * long_gain + r * r * (light / r) * short_gain,
                    long_gain**2 + r * r * short_gain**2,
                    int(own.size),
                    light / r / short_gain,
                )
            )
    return out


def _spread(values: NDArray[np.float64]) -> float:
    """Standard deviation without what lies far out."""
    offset = np.abs(values - np.median(values))
    robust = 1.4826 * float(np.median(offset))
    if robust > 0.0:
        offset = offset[offset <= _TRUNCATE * robust]
        return float(np.sqrt(np.mean(offset**2))) / _TRUNCATED_SHARE
    return float(np.sqrt(np.mean(offset**2)))


def _quantised(table: NDArray[np.float64], light: float) -> float:
    return float(table[min(round(np.sqrt(light) * (table.size - 1)), table.size - 1)])


def _fit(bins: list[_Bin]) -> tuple[float, float] | None:
    """(photon, read) by weighted least squares, both held above 0; None where there is too little."""
    read = 0.0
    found = None
    for _ in range(_ROUNDS):
        used = [b for b in bins if b.darkest > _SAFE * np.sqrt(read)]
        if len(used) < _FEWEST_BINS:
            return found
        measured = np.array([b.variance for b in used])
        known = np.array([b.known for b in used])
        design = np.array([[b.photon, b.read] for b in used])
        expected = np.maximum(measured, known) if found is None else design @ np.array(found) + known
        weight = 1.0 / (expected**2 * (_SPREAD**2 + 2.0 / np.array([b.count for b in used])))
        weight /= 1.0 + (np.log(np.maximum(measured, 1e-30) / expected) / _FAR_OFF) ** 2  # Cauchy's
        found = _not_negative(design, measured - known, weight)
        read = found[1]
    return found


def _not_negative(
    design: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float]:
    """Weighted least squares of two unknowns, neither below 0."""
    square = design.T @ (design * weight[:, None])
    right = design.T @ (values * weight)
    scale = np.sqrt(np.diag(square))
    photon, read = np.linalg.solve(square / np.outer(scale, scale), right / scale) / scale
    if photon <= 0.0:
        photon, read = 0.0, right[1] / square[1, 1]
    elif read < 0.0:
        photon, read = right[0] / square[0, 0], 0.0
    photon = max(float(photon), _LEAST_PHOTON)
    return photon, max(float(read), photon**2)  # no camera reads out with less than an electron; our choice
