"""What a single frame looks like by itself: a marker frame, a scene, or nothing exposed.

docs/sorting.md says how it works and what it reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.survey.chart_patches import largest_chart
from belvedere.survey.finger_strips import find_strips, outlines
from belvedere.survey.near_evidence import body_cues, fineness, largest_fan, strip_cues
from belvedere.survey.small_frame import SmallFrame, small_frame

MarkerKind = Literal["dark", "blank", "near-object", "chart", "scene"]

# Fitted; see docs/sorting.md. First the constant, then a weight for each of STRIP_CUES and BODY_CUES.
_STRIP = np.array((-6.603, -1.727, 1.384, 2.003, 1.591, 2.268, 3.537, 0.397, -0.072))
_BODY = np.array((9.042, 2.242, 6.755, -1.263, -3.177, -1.379, -3.038, 2.393, -2.063, -4.103))
# Constant, fan of strips, best strip, best body, fineness, share of flat blue.
_FRAME = np.array((-5.357, 1.542, 2.463, 0.952, -3.117, -8.919))

_DARK, _DARK_STEP = 14.0, 2.5  # L that all but one pixel in a thousand of a frame behind a cap stay below
_WHITE, _MOSTLY = 250, 0.6  # code from which a pixel is over-exposed; share of them that makes a frame blank
_PATCHES, _COLOURS = 8.0, 14.0  # patches and spread of their a and b at which a chart is as likely as not
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


def marker_look(image: NDArray[np.uint8]) -> MarkerLook:
    """Judge one frame by its appearance alone.

    Parameters
    ----------
    image : ndarray of shape (h, w, 3), uint8
        sRGB, as displayed, 160 px or more on its long side. Reduced to 160 px inside.

    Raises
    ------
    ValueError
        If it is no such array.
    """
    if image.ndim != 3 or image.shape[2] != 3 or image.dtype != np.uint8 or min(image.shape[:2]) < 8:
        raise ValueError(f"a picture is (h, w, 3) uint8, got {image.shape} {image.dtype}")
    small = small_frame(image)
    light = float(np.percentile(small.lab[..., 0], 99.9))
    if light < _DARK:
        return MarkerLook(
            "dark", _chance((_DARK - light) / _DARK_STEP), "nothing in it is exposed, as behind a cap"
        )
    white = float((small.codes.min(axis=2) >= _WHITE).mean())
    if white > _MOSTLY:
        return MarkerLook("blank", _BLANK_STRENGTH, f"{white:.0%} of it is over-exposed white")
    lines = outlines(small.lab8)
    patches, colours = largest_chart(lines, small)
    chart = min((patches - _PATCHES) / 2.0, (colours - _COLOURS) / 3.0)
    if chart > 0.0:
        return MarkerLook("chart", _chance(chart), f"a chart of {patches} patches of many colours")
    evidence, why = _near(small, lines)
    if evidence > 0.0:
        return MarkerLook("near-object", _chance(evidence), why)
    return MarkerLook("scene", _chance(evidence), "nothing close to the lens stands out")


def _near(small: SmallFrame, lines: list[tuple[int, NDArray[np.int32]]]) -> tuple[float, str]:
    """Log odds of an object close to the lens, and what speaks for it most."""
    height, width = small.lab.shape[:2]
    strips = find_strips(lines, width, height)
    cues, colours = strip_cues(small, strips)
    fingers = np.array([_chance(z) for z in _STRIP[0] + cues @ _STRIP[1:]])
    bodies = body_cues(small)
    fan = largest_fan(strips, colours, fingers)
    finger = float(fingers.max()) if len(fingers) else 0.0
    body = math.log1p(math.exp(float((_BODY[0] + bodies @ _BODY[1:]).max()))) if len(bodies) else 0.0
    blue = float((np.exp(bodies[:, 0]) * bodies[:, 5]).sum())
    parts = _FRAME[1:] * (fan, finger, body, fineness(small), blue)
    evidence = float(_FRAME[0] + parts.sum())
    if parts[2] > parts[0] + parts[1]:
        return evidence, "a large flat body with soft borders, close to the lens"
    if fan > 1.5:
        return evidence, "strips side by side like the fingers of a hand"
    return evidence, "a strip like a finger on a body of its colour"


def _chance(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-max(-40.0, min(40.0, log_odds))))
