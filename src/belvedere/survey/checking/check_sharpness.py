"""Whether every frame is as sharp as its neighbours: camera shake and missed focus."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import frame_words
from belvedere.survey.checking.sharpness_fit import Sharpness
from belvedere.survey.checking.window_sharpness import blur_px

# Natural logs of energy. Clean simulated sets stay within 0.3 by direction and 0.1 on the whole, 3 px of
# motion take off 1.3 and 0.9: set between, no published source.
_LOSS = 0.5  # in the direction hit most
_LOSS_ON_THE_WHOLE = 0.25  # mean of all directions
_SIGMAS = 4.0
_ONE_WAY = 0.45  # of the loss on the whole, by which directions differ where the camera moved along a line


def examine_sharpness(
    checked: Checked,
    sharpness: Sharpness,
    *,
    told_elsewhere: Collection[int] = (),
) -> tuple[Finding, ...]:
    """Look for frames less sharp than their neighbours, in windows of the same details at full resolution.

    Parameters
    ----------
    checked : Checked
        The set.
    sharpness : Sharpness
        Of its frames, by `measure_sharpness`.
    told_elsewhere : collection of int
        Frames whose blur another finding tells.

    Returns
    -------
    tuple of Finding
        "sharpness", to be shot again: `loss` is the natural log of the fine detail's energy lost in the
        worst direction, `blur_px` the length of the motion or the diameter of the circle of confusion that
        does that, and `angle_deg` the motion's direction from x towards y where it is plain.
    """
    found = []
    for k, frame in enumerate(sharpness.frames):
        if frame not in told_elsewhere and is_unsharp(sharpness, k):
            found.append(_one(checked.frames, frame, sharpness.energy[k]))
    return tuple(found)


def is_unsharp(sharpness: Sharpness, k: int) -> bool:
    """Whether frame `sharpness.frames[k]` is plainly less sharp than the others."""
    loss = -sharpness.energy[k]
    sure = _SIGMAS * float(sharpness.sigma[k])
    return bool(loss.max() > max(_LOSS, sure) and loss.mean() > max(_LOSS_ON_THE_WHOLE, sure / 2.0))


def _one(frames: Sequence[Frame], frame: int, energy: NDArray[np.float64]) -> Finding:
    loss = -energy
    angle, swing = _direction(loss)
    numbers = {"loss": float(loss.max())}
    if swing > _ONE_WAY * float(loss.mean()):
        size = blur_px(float(loss.max()), "motion")
        numbers |= {"blur_px": size, "angle_deg": angle}
        what = f"blurred by about {size:.0f} px {_way(angle)}: the camera moved during the exposure"
        remedy = "steady the tripod, use a cable release, wait for wind to drop"
    else:
        size = blur_px(float(loss.mean()), "disc")
        numbers["blur_px"] = size
        what = f"softer than its neighbours, by a circle of about {size:.0f} px: focus was missed"
        remedy = "focus once, then lock it"
    words = f"{frame_words(frames, frame)} is {what}; {remedy}, and shoot it again"
    return Finding("sharpness", "reshoot", (frame,), words, numbers)


def _direction(loss: NDArray[np.float64]) -> tuple[float, float]:
    """Direction in which most is lost, degrees from x towards y, and how much more than on average."""
    theta = 2.0 * np.pi * np.arange(len(loss)) / len(loss)  # twice the angle
    c, s = float(np.mean(loss * np.cos(theta))), float(np.mean(loss * np.sin(theta)))
    return math.degrees(0.5 * math.atan2(s, c)), 2.0 * math.hypot(c, s)


def _way(angle_deg: float) -> str:
    """A direction of motion in the picture in words; y points down."""
    if abs(angle_deg) < 20.0:
        return "sideways"
    if abs(angle_deg) > 70.0:
        return "up and down"
    return "aslant, down to the right" if angle_deg > 0.0 else "aslant, up to the right"
