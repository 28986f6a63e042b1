"""Whether focus and zoom stayed where they were: a frame's own focal length, and its sharpness."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame
from belvedere.survey.checking.check_sharpness import is_unsharp
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import frame_words, listed
from belvedere.survey.checking.overlap_field import OverlapField
from belvedere.survey.checking.sharpness_fit import Sharpness
from belvedere.survey.checking.turn_fit import TurnFit

_CHANGE = 0.004
"""Change of focal length from which focus or zoom was moved; common practice, no published source.

Refocusing a simple lens of focal length f from infinity to the distance D enlarges its image by f / (D - f):
1 % at 50 mm and 5 m, if nothing else in the lens moves.
"""
_SIGMAS = 5.0
_LEAST_DETAILS = 24  # of a frame, in all its overlaps, to speak of its focal length
_SURELY_MOVED = 0.01  # of a frame that is as sharp as the others; common practice, no published source
_LEAST_MANY, _MANY = 2, 0.25  # frames, and share of all frames, from which it is the set and no single frame
_ZOOMED = 0.03  # more than refocusing does to a landscape; common practice, no published source


def examine_focus(
    checked: Checked,
    fields: Sequence[OverlapField],
    fit: TurnFit,
    sharpness: Sharpness | None = None,
) -> tuple[Finding, ...]:
    """Look for frames whose focal length differs from their neighbours': refocused or zoomed in between.

    Parameters
    ----------
    checked : Checked
        The set.
    fields : sequence of OverlapField
        Its overlaps, as `measure_fields` gives them.
    fit : TurnFit
        Of these, by `fit_checked`.
    sharpness : Sharpness or None
        Of its frames; only adds words.

    Returns
    -------
    tuple of Finding
        "focus", to be shot again where it is plain, else a risk; see `weighed`. `focal_factor` is the frame's
        focal length over its neighbours'.
    """
    off = _against_neighbours(fit, fields)
    details = dict.fromkeys(fit.frames, 0)
    for field in fields:
        for frame in (field.a, field.b):
            details[frame] = details.get(frame, 0) + len(field.points_a)
    found = []
    for k, frame in enumerate(fit.frames):
        if details[frame] < _LEAST_DETAILS or checked.alignment.frames[frame].placed_by == "grid":
            continue
        if abs(off[k]) > max(_CHANGE, _SIGMAS * float(fit.focal_sigma[k])):
            factor, soft = float(np.exp(off[k])), _is_soft(sharpness, frame)
            found.append(_one(checked.frames, frame, factor, soft, "reshoot"))
    return weighed(checked.frames, found, len(fit.frames))


def weighed(frames: Sequence[Frame], found: Sequence[Finding], count: int) -> tuple[Finding, ...]:
    """What was found of frames one by one, seen as a whole.

    Where more than a quarter of the frames differ, no single one was refocused: the camera stood elsewhere
    from frame to frame, as without a tripod, or nothing was locked. A sharp frame that differs by less than
    refocusing does is a risk only.
    """
    if len(found) >= _LEAST_MANY and len(found) > count * _MANY:
        worst = max(abs(f.numbers["focal_factor"] - 1.0) for f in found)
        which = tuple(f.frames[0] for f in found)
        words = (
            f"scale changes from frame to frame, by up to {100.0 * worst:.1f} %: {listed(frames, which)} "
            "differ from their neighbours; lock focus and zoom, and turn the camera about its entrance "
            "pupil, on a tripod"
        )
        return (Finding("focus", "risk", which, words, {"change_fraction": worst}),)
    return tuple(
        f
        if f.numbers["soft"] or _is_large(f)
        else _one(frames, f.frames[0], f.numbers["focal_factor"], False, "risk")
        for f in found
    )


def _is_large(finding: Finding) -> bool:
    return abs(finding.numbers["focal_factor"] - 1.0) >= _SURELY_MOVED


def _against_neighbours(fit: TurnFit, fields: Sequence[OverlapField]) -> NDArray[np.float64]:
    """log focal length against the median of the frames that overlap it, or the set's, whichever is nearer.

    A principal point that is not quite right makes the focal length seem to change smoothly along a row.
    """
    at = {frame: k for k, frame in enumerate(fit.frames)}
    near: list[list[int]] = [[] for _ in fit.frames]
    for f in fields:
        if f.a in at and f.b in at:
            near[at[f.a]].append(at[f.b])
            near[at[f.b]].append(at[f.a])
    out = fit.focal.copy()
    for k, others in enumerate(near):
        local = float(fit.focal[k] - np.median(fit.focal[others])) if others else 0.0
        out[k] = local if abs(local) < abs(out[k]) else out[k]
    return out


def _is_soft(sharpness: Sharpness | None, frame: int) -> bool:
    if sharpness is None or frame not in sharpness.frames:
        return False
    return is_unsharp(sharpness, sharpness.frames.index(frame))


def _one(frames: Sequence[Frame], frame: int, factor: float, soft: bool, grave: Grave) -> Finding:
    change = 100.0 * (factor - 1.0)
    size = f"{abs(change):.1f} % {'larger' if change > 0.0 else 'smaller'}"
    if grave == "risk":
        why = (
            " and is as sharp: focus or zoom may have moved a little, and its seams may show it; lock the "
            "focus and tape the zoom ring; to be safe, shoot it again"
        )
    elif abs(factor - 1.0) > _ZOOMED:
        why = ": the zoom was moved; tape the zoom ring, and shoot it again"
    elif soft:
        why = " and is softer: it was refocused; focus once, then lock it, and shoot it again"
    else:
        why = ": focus or zoom was moved; lock the focus and tape the zoom ring, and shoot it again"
    words = f"{frame_words(frames, frame)} shows everything {size} than its neighbours{why}"
    return Finding("focus", grave, (frame,), words, {"focal_factor": factor, "soft": float(soft)})
