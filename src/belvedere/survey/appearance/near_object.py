"""An object close to the lens: its odds, from strips like fingers and large flat bodies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.finger_strips import Outline, find_strips
from belvedere.survey.appearance.joined_groups import joined_groups
from belvedere.survey.appearance.near_evidence import BODY_CUES, STRIP_CUES, body_cues, fineness, strip_cues
from belvedere.survey.appearance.near_weights import FITTED, NearWeights
from belvedere.survey.appearance.small_frame import SmallFrame

FRAME_CUES = ("fan", "firm palm", "body", "fineness", "blue")

_PALM = STRIP_CUES.index("palm")
_AREA, _BLUE = (BODY_CUES.index(name) for name in ("log area", "blue"))
_FIRM, _FIRMER = 1.2, 2.2  # log thresholds at which a strip shows from where, and to where, it grows firm


def near_cues(small: SmallFrame, lines: list[Outline], weights: NearWeights = FITTED) -> NDArray[np.float64]:
    """`FRAME_CUES` of a frame, given its outlines at several thresholds."""
    height, width = small.lab.shape[:2]
    strips = find_strips(lines, width, height)
    cues, colours = strip_cues(small, strips)
    return frame_cues(strips, colours, cues, body_cues(small), fineness(small), weights)


def near_odds(frame: NDArray[np.float64], weights: NearWeights = FITTED) -> tuple[float, str]:
    """Log odds of an object close to the lens, given `FRAME_CUES`, and what speaks for it most."""
    parts = weights.frame[1:] * frame
    fan, palm, body = parts[:3]
    odds = float(weights.frame[0] + parts.sum())
    if body > fan + palm:
        return odds, "a large flat body, close to the lens"
    if fan > palm:
        return odds, "strips side by side that spread like fingers"
    return odds, "a strip like a finger on a body of its colour"


def frame_cues(
    strips: NDArray[np.float64],
    colours: NDArray[np.float64],
    cues: NDArray[np.float64],
    bodies: NDArray[np.float64],
    fine: float,
    weights: NearWeights = FITTED,
) -> NDArray[np.float64]:
    """What a frame's strips and bodies say together: one value for each of `FRAME_CUES`."""
    fan = palm = body = blue = 0.0
    if len(strips):
        like = chance(weights.strip[0] + cues @ weights.strip[1:])
        fan = largest_fan(strips, colours, like)
        firm = np.clip((np.log(strips[:, 6]) - _FIRM) / (_FIRMER - _FIRM), 0.0, 1.0)
        palm = float((like * firm * cues[:, _PALM]).max())
    if len(bodies):
        body = float(np.logaddexp(0.0, (weights.body[0] + bodies @ weights.body[1:]).max()))
        blue = float((np.exp(bodies[:, _AREA]) * bodies[:, _BLUE]).sum())
    return np.array((fan, palm, body, fine, blue))


def largest_fan(
    strips: NDArray[np.float64], colours: NDArray[np.float64], weights: NDArray[np.float64]
) -> float:
    """The weight of the best group of strips side by side, alike in width and colour, spread like fingers.

    Parameters
    ----------
    strips, colours : ndarray (n, 7) and (n, 3)
        Strips and their Lab colours.
    weights : ndarray (n,)
        How much each looks like a finger, 0 to 1. Five at most count.
    """
    if len(strips) < 2:
        return 0.0
    x, y, w, length, dx, dy = strips.T[:6]
    cosine = dx[:, None] * dx + dy[:, None] * dy
    wide = np.sqrt(w[:, None] * w)
    mx, my = (x - dx * w)[None] - x[:, None], (y - dy * w)[None] - y[:, None]
    aside = np.abs(my * dx[:, None] - mx * dy[:, None])
    ahead = np.abs(mx * dx[:, None] + my * dy[:, None])
    ends = np.hypot(x[:, None] - x, y[:, None] - y)
    down = np.minimum(length[:, None], length)
    bx, by = x[:, None] - dx[:, None] * down, y[:, None] - dy[:, None] * down
    bases = np.hypot(bx - bx.T, by - by.T)
    unlike = np.linalg.norm(colours[:, None] - colours[None], axis=2)
    joined = (
        (cosine > 0.7)
        & (np.abs(np.log(w[:, None] / w)) < 0.5)
        & (unlike < 14.0)
        & (aside > 0.8 * wide)
        & (aside < 3.0 * wide)
        & (ahead < 1.2 * np.maximum(length[:, None], length))
        & (ends > 1.05 * bases)
        & (bases > 0.5 * wide)
    )
    joined &= joined.T
    best = 0.0
    for members in joined_groups(joined):
        if len(members) > 1:
            top = np.sort(weights[members])[::-1][:5].sum() * min(1.0, 5.0 / len(members))
            best = max(best, float(top))
    return best


def chance(log_odds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probability of log odds."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(log_odds, -40.0, 40.0))))
