"""Sharpening for the print: give back the contrast that ink and paper take, as far as the eye can see it.

The model. Ink spreads and light scatters in the paper: a point becomes a Gaussian of sigma s, which leaves
of a pattern of k cycles a mm the contrast M(k) = exp(-2 pi^2 s^2 k^2). The eye at its distance resolves up to
k_eye = 1 / (2 gap), gap as of `optics.visual_acuity`; the print's pixels carry k_px = 0.35 ppi / 25.4 and no
finer detail worth the name. At k = min(k_eye, k_px) an unsharp kernel 1 + a (1 - G), G a Gaussian of
sigma 1 / (2 pi k), makes up for M(k): a = (1/M(k) - 1) / (1 - G(k)), held so that the gain stays within
`MOST_GAIN`. Below k it does less, as M asks; beyond it no more than 1 + a. It works on linear light, where
blur adds up.

No halo: the result is held within the range of the 3 x 3 pixels around, widened by a share of it on either
side: (gain - 1)/2 + 0.02, what a fine wave's crests need, and never more than `HALO`. An edge gets steeper
and overshoots by no more than that share of its height; the paper's spread takes most of it back, and by the
same model less than `HALO_ON_PAPER` is left.

The Gaussian form is a model (J. C. Dainty, R. Shaw, Image Science, 1974, treats spread functions of media;
cited from memory); the sigmas are common practice, no published source. A print that was measured knows
better: give its sigma.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive
from belvedere.optics.print_size import MM_PER_INCH
from belvedere.optics.visual_acuity import resolved_mm

Surface = Literal["gloss", "matte", "canvas"]

SPREAD_MM: dict[Surface, float] = {"gloss": 0.030, "matte": 0.045, "canvas": 0.060}
"""Sigma of a point's image on paper (common practice, no published source)."""

HALO = 0.15
"""Overshoot allowed at most, as a share of the range of light in the 3 x 3 pixels around."""

HALO_ON_PAPER = 0.07
"""What is left of it on paper, as a share of an edge's height; computed for 200 to 720 ppi."""

MOST_GAIN = 2.0
"""Gain that the finest detail gets at most; more would print noise (common practice, no published source)."""

UNSEEN_GAIN = 1.02
"""A smaller gain than this is not seen, and not made."""

_FINEST = 0.35
"""Cycles a pixel up to which a resampled print carries detail well (docs/resampling.md)."""

ARMS_LENGTH_M = 0.5
"""Distance from which a large print is looked at when one walks up to it (common practice, no published
source)."""


@dataclass(frozen=True)
class Sharpening:
    """An unsharp kernel.

    Parameters
    ----------
    weights : tuple of float
        The Gaussian's taps from the centre outwards, in px of the print; the whole row sums to 1.
    amount : float
        a, how much of the difference to the Gaussian is added; 0: off.
    cycles_per_mm : float
        k, where the paper's loss is made up for.
    paper_contrast : float
        M(k), 0 to 1.
    gain : float
        1 + a (1 - G(k)), for detail along an axis.
    halo : float
        Overshoot allowed, as a share of the range of light in the 3 x 3 pixels around.
    """

    weights: tuple[float, ...]
    amount: float
    cycles_per_mm: float
    paper_contrast: float
    gain: float
    halo: float

    @property
    def reach(self) -> int:
        """Pixels around a pixel that have a say in it."""
        return max(1, len(self.weights) - 1) if self.amount > 0.0 else 0


def print_sharpening(ppi: float, distance_m: float = ARMS_LENGTH_M, spread_mm: float = 0.030) -> Sharpening:
    """The kernel for a print.

    Parameters
    ----------
    ppi : float
        Pixels per inch of the print.
    distance_m : float
        From where it is looked at, m. From far off the eye sees nothing of what the paper takes: then there
        is nothing to do, and the amount is 0.
    spread_mm : float
        Sigma of a point on this paper, mm; see `SPREAD_MM`.

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    pixels_per_mm = need_positive("the pixels per inch", ppi) / MM_PER_INCH
    need_positive("the paper's spread", spread_mm, "mm")
    if spread_mm > 1.0:
        raise PlanError(
            f"a paper's spread of {spread_mm:g} mm is no print", "gloss has about 0.03 mm, canvas 0.06 mm"
        )
    k = min(0.5 / resolved_mm(distance_m), _FINEST * pixels_per_mm)
    contrast = math.exp(-2.0 * (math.pi * spread_mm * k) ** 2)
    gain = min(1.0 / contrast, MOST_GAIN)
    if gain < UNSEEN_GAIN:
        return Sharpening((1.0,), 0.0, k, contrast, 1.0, 0.0)
    weights = _gaussian(pixels_per_mm / (2.0 * math.pi * k))
    passed = _response(weights, k / pixels_per_mm)
    halo = min((gain - 1.0) / 2.0 + 0.02, HALO)
    return Sharpening(weights, (gain - 1.0) / (1.0 - passed), k, contrast, gain, halo)


NO_SHARPENING = Sharpening((1.0,), 0.0, 0.0, 1.0, 1.0, 0.0)
"""Off."""


def sharpen(lines: NDArray[np.float32], sharpening: Sharpening) -> NDArray[np.float32]:
    """Sharpen lines of light, losing the rows at their ends that have no neighbours.

    Parameters
    ----------
    lines : ndarray of shape (h, w, 4), float32
        Linear light of three colours; the fourth tells how much of the pixel is picture. Where anything
        within reach is not all picture, light stays as it is: bare paper beside the picture makes no edge.
        To the left and the right the border goes on.
    sharpening : Sharpening

    Returns
    -------
    ndarray of shape (h - 2 reach, w, 4), float32
        The fourth sample as it was.
    """
    reach = sharpening.reach
    if reach == 0:
        return lines
    weights = np.array(sharpening.weights, np.float32)
    out = np.empty((lines.shape[0] - 2 * reach, *lines.shape[1:]), np.float32)
    _sharpen(lines, weights, reach, np.float32(sharpening.amount), np.float32(sharpening.halo), out)
    return out


def _gaussian(sigma_px: float) -> tuple[float, ...]:
    reach = max(1, math.ceil(3.0 * sigma_px))
    values = [math.exp(-0.5 * (i / sigma_px) ** 2) for i in range(reach + 1)]
    total = values[0] + 2.0 * sum(values[1:])
    return tuple(v / total for v in values)


def _response(weights: tuple[float, ...], cycles_per_px: float) -> float:
    waves = sum(w * math.cos(2.0 * math.pi * cycles_per_px * i) for i, w in enumerate(weights) if i)
    return weights[0] + 2.0 * waves


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _sharpen(
    lines: NDArray[np.float32],
    weights: NDArray[np.float32],
    reach: int,
    amount: np.float32,
    halo: np.float32,
    out: NDArray[np.float32],
) -> None:
    """See `sharpen`. A row at a time: the Gaussian down, then along, then the bounds."""
    height, width, _ = out.shape
    whole = np.float32(0.999)
    padded = width + 2 * reach
    column = np.empty((padded, 4), np.float32)
    low = np.empty((padded, 3), np.float32)
    high = np.empty((padded, 3), np.float32)
    for j in range(height):
        middle = j + reach
        for i in range(width):
            at = i + reach
            for k in range(3):
                value = weights[0] * lines[middle, i, k]
                for m in range(1, weights.size):
                    value += weights[m] * (lines[middle - m, i, k] + lines[middle + m, i, k])
                column[at, k] = value
                above, here, below = lines[middle - 1, i, k], lines[middle, i, k], lines[middle + 1, i, k]
                low[at, k] = min(above, min(here, below))
                high[at, k] = max(above, max(here, below))
            covered = lines[middle, i, 3]
            for m in range(1, reach + 1):
                covered = min(covered, min(lines[middle - m, i, 3], lines[middle + m, i, 3]))
            column[at, 3] = covered
        for i in range(reach):
            column[i] = column[reach]
            low[i], high[i] = low[reach], high[reach]
            column[padded - 1 - i] = column[padded - 1 - reach]
            low[padded - 1 - i], high[padded - 1 - i] = low[padded - 1 - reach], high[padded - 1 - reach]
        for i in range(width):
            at = i + reach
            covered = column[at, 3]
            for m in range(1, reach + 1):
                covered = min(covered, min(column[at - m, 3], column[at + m, 3]))
            out[j, i, 3] = lines[middle, i, 3]
            for k in range(3):
                here = lines[middle, i, k]
                if covered < whole:
                    out[j, i, k] = here
                    continue
                blurred = weights[0] * column[at, k]
                for m in range(1, weights.size):
                    blurred += weights[m] * (column[at - m, k] + column[at + m, k])
                least = min(low[at - 1, k], min(low[at, k], low[at + 1, k]))
                most = max(high[at - 1, k], max(high[at, k], high[at + 1, k]))
                spare = halo * (most - least)
                value = here + amount * (here - blurred)
                out[j, i, k] = min(max(value, least - spare), most + spare)
