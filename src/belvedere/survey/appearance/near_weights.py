"""The weights by which strips, bodies and frames are judged; fitted, and not to be changed by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class NearWeights:
    """Three logistic regressions: first the constant, then a weight for each cue.

    Parameters
    ----------
    strip : ndarray (4,)
        On `STRIP_CUES`: whether a strip is a finger.
    body : ndarray (6,)
        On `BODY_CUES`: whether a flat region is a thing close to the lens.
    frame : ndarray (6,)
        On `FRAME_CUES`: whether a frame shows such a thing.
    """

    strip: NDArray[np.float64]
    body: NDArray[np.float64]
    frame: NDArray[np.float64]


# Renew them with `python tools/near_object/fit.py`, which prints these lines, after any change to the cues,
# the outlines or the small frame; then renew the figures of docs/sorting.md from what else it prints.
FITTED = NearWeights(
    strip=np.array((-3.783, 1.231, 1.666, 1.461)),
    body=np.array((11.146, 2.188, -4.864, -6.610, -2.776, -2.700)),
    frame=np.array((-6.357, 1.017, 6.147, 1.121, -3.143, -2.779)),
)
