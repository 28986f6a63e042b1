"""What a single frame looks like by itself: a marker frame, a scene, or nothing exposed.

docs/sorting.md says how it works and what it reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.chart_patches import largest_chart
from belvedere.survey.appearance.finger_strips import outlines
from belvedere.survey.appearance.near_object import near_cues, near_odds
from belvedere.survey.appearance.near_weights import FITTED, NearWeights
from belvedere.survey.appearance.small_frame import SmallFrame, small_frame

MarkerKind = Literal["dark", "blank", "near-object", "chart", "scene"]

_DARK, _DARK_STEP = 14.0, 2.5  # L that all but one pixel in a thousand of a frame behind a cap stay below
_WHITE, _MOSTLY = 250, 0.6  # code from which a pixel is over-exposed; share of them that makes a frame blank
_PATCHES, _COLOURS = 7.0, 14.0  # patches and spread of their a and b at which a chart is as likely as not
_DOUBT = 2.5  # log odds within which a frame is looked at on another grid of pixels too
_OTHER_GRID = 144  # px of its long side
_BLANK_STRENGTH = 0.2  # an over-exposed frame may hide anything, a marker seldom


@dataclass(frozen=True, slots=True)
class MarkerLook:
    """What a frame looks like.

    Parameters
    ----------
    kind : "dark", "blank", "near-object", "chart" or "scene"
        Dark: nothing exposed, as behind a cap. Blank: over-exposed to white. Near-object: a hand or another
        thing close to the lens. Chart: colour patches.
    strength : float
        Evidence that it is a marker frame, 0 to 1: near 1 surely, near 0 surely a scene, 0.5 unknown.
    why : str
        In words.
    """

    kind: MarkerKind
    strength: float
    why: str


def marker_look(
    image: NDArray[np.uint8], weights: NearWeights = FITTED, *, small: SmallFrame | None = None
) -> MarkerLook:
    """Judge one frame by its appearance alone.

    Parameters
    ----------
    image : ndarray of shape (h, w, 3), uint8
        sRGB, as displayed, 160 px or more on its long side. Reduced to 160 px inside.
    weights : NearWeights
        Others than the fitted ones only to judge these.
    small : SmallFrame or None
        The picture's `small_frame`, where it was made already.

    Raises
    ------
    ValueError
        If it is no such array.
    """
    if image.ndim != 3 or image.shape[2] != 3 or image.dtype != np.uint8 or min(image.shape[:2]) < 8:
        raise ValueError(f"a picture is (h, w, 3) uint8, got {image.shape} {image.dtype}")
    small = small or small_frame(image)
    light = float(np.percentile(small.lab[..., 0], 99.9))
    if light < _DARK:
        return MarkerLook(
            "dark", _chance((_DARK - light) / _DARK_STEP), "nothing in it is exposed, as behind a cap"
        )
    white = float((small.codes.min(axis=2) >= _WHITE).mean())
    if white > _MOSTLY:
        return MarkerLook("blank", _BLANK_STRENGTH, f"{white:.0%} of it is over-exposed white")
    lines = outlines(small)
    patches, colours = largest_chart(lines, small)
    chart = min((patches - _PATCHES) / 2.0, (colours - _COLOURS) / 3.0)
    if chart > 0.0:
        return MarkerLook("chart", _chance(chart), f"a chart of {patches} patches of many colours")
    cues = near_cues(small, lines, weights)
    evidence, why = near_odds(cues, weights)
    if abs(evidence) < _DOUBT:  # what the grid of pixels alone made is not there on another
        other = small_frame(image, _OTHER_GRID)
        evidence, why = near_odds(0.5 * (cues + near_cues(other, outlines(other), weights)), weights)
    if evidence > 0.0:
        return MarkerLook("near-object", _chance(evidence), why)
    return MarkerLook("scene", _chance(evidence), "nothing close to the lens stands out")


def _chance(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-max(-40.0, min(40.0, log_odds))))
