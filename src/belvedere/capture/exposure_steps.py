"""How much more light one exposure took than another: by the settings first, then by the pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Metadata

_NEAR_A_STEP_EV = 0.1
_SETTINGS_SIGMA_EV = 0.04  # of shutters and apertures about their marks; common practice, no published source
_FEWEST = 40  # places that let the pixels have a say
_LEAST_SIGMA_EV = 0.003  # of what the pixels say: what a curve that is nearly right leaves
_FAR, _ROUNDS = 3.5, 3  # robust sigmas beyond which a place is a thing that moved
_WRONG_EV = 0.25  # from which the settings cannot be right
_DARKEST, _BRIGHTEST = 0.004, 0.75  # light of the shorter, of the longer exposure, that is compared


def taken_ev(metadata: Metadata) -> float | None:
    """log2 of the light the settings take, t ISO / N^2, with the steps that the rounded marks stand for.

    Marks of exposure times and f-numbers are rounded: 1/30 stands for 2^-5 s, f/11 for 2^(7/2). A value
    within 0.1 stop of a third of a stop is taken for that, else of a half, else as it stands (common
    practice, no published source). None where the file does not tell time and sensitivity.
    """
    if not metadata.exposure_s or not metadata.iso:
        return None
    aperture = 2.0 * math.log2(metadata.f_number) if metadata.f_number else 0.0
    return (
        on_step(math.log2(metadata.exposure_s)) + on_step(math.log2(metadata.iso / 100.0)) - on_step(aperture)
    )


def on_step(ev: float) -> float:
    """The third or half of a stop that a rounded mark stands for; the value itself where it is near none."""
    for parts in (3.0, 2.0):
        step = round(ev * parts) / parts
        if abs(step - ev) <= _NEAR_A_STEP_EV:
            return step
    return ev


@dataclass(frozen=True, slots=True)
class Step:
    """The step from a shorter to a longer exposure.

    Parameters
    ----------
    ev : tuple of 3 float
        log2 of the light of the longer over the shorter, in r, g, b.
    measured_ev, sigma_ev : float
        What the pixels alone say, NaN where they say nothing, and one sigma of it.
    settings_ev : float or None
        What the settings say.
    by_brightness_ev : float
        How much more the pixels' ratio is in the brighter half than in the darker: not 0 where the curve from
        codes to light is not the camera's.
    """

    ev: tuple[float, float, float]
    measured_ev: float
    sigma_ev: float
    settings_ev: float | None
    by_brightness_ev: float = 0.0

    @property
    def settings_are_wrong(self) -> bool:
        """Whether the pixels say clearly that the settings did not make this step."""
        if self.settings_ev is None or not math.isfinite(self.measured_ev):
            return False
        return abs(self.measured_ev - self.settings_ev) > max(_WRONG_EV, 6.0 * self.sigma_ev)


def measure_step(
    longer: NDArray[np.float32],
    shorter: NDArray[np.float32],
    settings_ev: float | None,
    *,
    balance: bool = False,
) -> Step:
    """Find the step between two exposures of the same scene.

    The median over places of log2(longer / shorter) stands against what moved and, in small areas' means,
    against noise; it is averaged with the settings by 1 / variance, unless the two contradict each other.

    Parameters
    ----------
    longer, shorter : ndarray of shape (n, 3)
        Mean light of the same small areas, free of white, each 1 at its own white.
    settings_ev : float or None
    balance : bool
        Whether white balance may have changed: the three channels then have their own steps.
    """
    logs = [_ratios(longer[:, c], shorter[:, c]) for c in range(3)]
    together = np.concatenate([own for own, _ in logs])
    light = np.concatenate([at for _, at in logs])
    measured, sigma = _median(together)
    if not math.isfinite(measured):
        ev = settings_ev if settings_ev is not None else _by_sums(longer, shorter)
        return Step((ev, ev, ev), math.nan, math.inf, settings_ev)
    bent = 0.0
    if together.size >= 4 * _FEWEST:
        half = np.median(light)
        bent = float(np.median(together[light > half]) - np.median(together[light <= half]))
    whole = Step((0.0, 0.0, 0.0), measured, sigma, settings_ev, bent)
    if settings_ev is None or whole.settings_are_wrong:
        ev = measured
    else:
        say = 1.0 / sigma**2, 1.0 / _SETTINGS_SIGMA_EV**2
        ev = (say[0] * measured + say[1] * settings_ev) / sum(say)
    own = [ev, ev, ev]
    if balance:
        for c, (values, _) in enumerate(logs):
            middle, spread = _median(values)
            if spread < _SETTINGS_SIGMA_EV:
                own[c] = middle
    return Step((own[0], own[1], own[2]), measured, sigma, settings_ev, bent)


def _ratios(
    longer: NDArray[np.float32], shorter: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """log2 of the ratio where both are well exposed, and the longer's light there."""
    fit = (shorter > _DARKEST) & (longer < _BRIGHTEST) & (longer > _DARKEST)
    y = longer[fit].astype(np.float64)
    return np.log2(y / shorter[fit]), y


def _median(values: NDArray[np.float64]) -> tuple[float, float]:
    """Median, without what lies far out on either side, and one sigma of it; (nan, inf) of too few."""
    if values.size < _FEWEST:
        return math.nan, math.inf
    for _ in range(_ROUNDS):
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        values = values[np.abs(values - middle) <= _FAR * spread]
    return middle, float(np.hypot(1.2533 * spread / math.sqrt(values.size), _LEAST_SIGMA_EV))


def _by_sums(longer: NDArray[np.float32], shorter: NDArray[np.float32]) -> float:
    """The ratio of all light, where nothing else is known; 0 where there is none."""
    a, b = float(longer.sum(dtype=np.float64)), float(shorter.sum(dtype=np.float64))
    return math.log2(a / b) if a > 0.0 and b > 0.0 else 0.0
