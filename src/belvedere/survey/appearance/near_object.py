"""An object close to the lens: its odds, from strips like fingers and flat bodies with soft borders."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.finger_strips import Outline, find_strips
from belvedere.survey.appearance.joined_groups import joined_groups
from belvedere.survey.appearance.near_evidence import BODY_CUES, STRIP_CUES, body_cues, fineness, strip_cues
from belvedere.survey.appearance.small_frame import SmallFrame

FRAME_CUES = ("fan", "finger", "body", "fineness", "blue", "firm skin", "other strips", "firm palm")

# Fitted; docs/sorting.md says on what and how. First the constant, then a weight for each cue.
STRIP_WEIGHTS = np.array((-6.424, -1.362, 1.208, 1.851, 1.423, 2.083, 2.670, 0.394, -0.100))
BODY_WEIGHTS = np.array((8.724, 2.423, 6.792, -1.265, -3.787, -1.087, -2.918, 2.897, -1.370, -4.319))
FRAME_WEIGHTS = np.array((-3.762, 3.397, 0.676, 1.682, -2.784, -8.617, 4.575, -0.398, 2.945))

_SUPPORT, _PALM, _SKIN = (STRIP_CUES.index(name) for name in ("log support", "palm", "skin"))
_AREA, _BLUE = (BODY_CUES.index(name) for name in ("log area", "blue"))


def near_cues(small: SmallFrame, lines: list[Outline]) -> NDArray[np.float64]:
    """`FRAME_CUES` of a frame, given its outlines at several thresholds."""
    height, width = small.lab.shape[:2]
    strips = find_strips(lines, width, height)
    cues, colours = strip_cues(small, strips)
    return frame_cues(strips, colours, cues, body_cues(small), fineness(small))


def near_odds(frame: NDArray[np.float64]) -> tuple[float, str]:
    """Log odds of an object close to the lens, given `FRAME_CUES`, and what speaks for it most."""
    parts = FRAME_WEIGHTS[1:] * frame
    fan, finger, body = parts[:3]
    odds = float(FRAME_WEIGHTS[0] + parts.sum())
    if body > fan + finger:
        return odds, "a large flat body with soft borders, close to the lens"
    if fan > finger:
        return odds, "strips side by side that spread like fingers"
    return odds, "a strip like a finger on a body of its colour"


def frame_cues(
    strips: NDArray[np.float64],
    colours: NDArray[np.float64],
    cues: NDArray[np.float64],
    bodies: NDArray[np.float64],
    fine: float,
    strip_weights: NDArray[np.float64] = STRIP_WEIGHTS,
    body_weights: NDArray[np.float64] = BODY_WEIGHTS,
) -> NDArray[np.float64]:
    """What a frame's strips and bodies say together: one value for each of `FRAME_CUES`."""
    fan = finger = firm_skin = firm_palm = others = body = blue = 0.0
    if len(strips):
        like = chance(strip_weights[0] + cues @ strip_weights[1:])
        fan = largest_fan(strips, colours, like)
        finger = float(like.max())
        support = cues[:, _SUPPORT]
        firm_skin = float((like * np.clip(support - 1.5, 0.0, 1.0) * cues[:, _SKIN]).max())
        firm_palm = float((like * np.clip(support - 1.2, 0.0, 1.0) * cues[:, _PALM]).max())
        others = float(like.sum()) - fan  # windows and posts come in great number
    if len(bodies):
        body = float(np.logaddexp(0.0, (body_weights[0] + bodies @ body_weights[1:]).max()))
        blue = float((np.exp(bodies[:, _AREA]) * bodies[:, _BLUE]).sum())
    return np.array((fan, finger, body, fine, blue, firm_skin, others, firm_palm))


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
