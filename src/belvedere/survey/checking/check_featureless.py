"""Frames without detail that can be matched: whether they found their place, and what would make it safe."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from belvedere.align.alignment import ON_REQUEST, Placement
from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource
from belvedere.survey.checking.check_unmatched import frames_beyond, tie_counts
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import degrees, frame_words, listed
from belvedere.survey.checking.overlap_field import copy_level, grey

# No published source for any of these.
_PIXELS = 400_000
_BLOCK = 24  # px of the copy
_CONTRAST = 3.0  # codes of 255 along the weaker axis, from which a block holds detail
_PLAIN = 0.1  # share of blocks with detail, below which a frame is plain
_FEW_TIES = 20  # tie points a frame, below which its place hangs by a thread
_NEAR_HORIZON_RAD = math.radians(5.0)
_SKYLINE = 0.15  # share of a frame's height that should show skyline


def examine_featureless(checked: Checked, *, run: Mapper = map) -> tuple[Finding, ...]:
    """Look for frames with little to match.

    Returns
    -------
    tuple of Finding
        "featureless": a frame that has no place for want of detail is to be shot again; those placed by the
        regular turn alone, and those that hang by few tie points, are risks. `detail_fraction` is the share
        of the frame that holds detail, `tie_points` how many it has, `sigma_px` how sure its place is.
    """
    places = checked.alignment.frames
    ties = tie_counts(checked.alignment.pairs, len(places))
    doubtful = [i for i, place in enumerate(places) if _is_doubtful(place, ties[i])]
    shares = dict(zip(doubtful, run(lambda i: detail_fraction(checked.source, i), doubtful), strict=True))
    beyond = frames_beyond(checked)  # placed by the turn because of one joint, which is told elsewhere
    by_turn = [i for i in doubtful if places[i].used and places[i].placed_by == "grid" and i not in beyond]
    plain = [i for i in doubtful if shares[i] < _PLAIN and i not in by_turn]
    found = []
    for i in plain:
        name, remedy = frame_words(checked.frames, i), _remedy(checked, i)
        if places[i].used:
            words = f"{name} holds little to match ({ties[i]} tie points); to be safe, {remedy}"
            found.append(_finding("risk", (i,), words, shares[i], ties[i]))
        else:
            words = f"{name} holds nothing to match and could not be placed; {remedy}"
            found.append(_finding("reshoot", (i,), words, shares[i], ties[i]))
    if by_turn:
        found.append(_by_turn(checked, by_turn, [shares[i] for i in by_turn], [ties[i] for i in by_turn]))
    return tuple(found)


def _is_doubtful(place: Placement, ties: int) -> bool:
    if not place.used:
        return place.reason != ON_REQUEST
    return place.placed_by == "grid" or ties < _FEW_TIES


def _by_turn(checked: Checked, which: Sequence[int], shares: Sequence[float], ties: Sequence[int]) -> Finding:
    """Frames nothing matched in, placed all the same."""
    sigmas = [s for i in which if (s := checked.alignment.frames[i].placement_sigma_px) is not None]
    sure = f", within about {max(sigmas):.0f} px" if sigmas else ""
    verb = "holds" if len(which) == 1 else "hold"
    words = (
        f"{listed(checked.frames, which)} {verb} nothing to match; placed by the regular turn of the "
        f"neighbours{sure}; to be safe, {_remedy(checked, which[0])}"
    )
    found = _finding("risk", tuple(which), words, min(shares), max(ties))
    if sigmas:
        found.numbers["sigma_px"] = max(sigmas)
    return found


def _remedy(checked: Checked, frame: int) -> str:
    """What to include: the skyline for a frame of sky, else something that stands out."""
    camera = checked.alignment.frames[frame].camera
    if camera is None:
        return "shoot it again with a part of its neighbours' detail in it: the skyline, a tree, a tower"
    foot = camera.rays(np.array([[(camera.width - 1) / 2.0, camera.height - 1.0]]))[0]
    lower = -math.asin(float(foot[1]))
    if lower > -_NEAR_HORIZON_RAD:
        turn = max(lower, 0.0) + _SKYLINE * camera.height / camera.focal_px
        return f"shoot that row about {degrees(turn)} lower, so that it shows some skyline"
    return "shoot it again with something that stands out in the overlaps"


def detail_fraction(source: FrameSource, frame: int) -> float:
    """Share of a frame's blocks (24 px of a copy of at most 0.4 megapixels) that hold detail to match."""
    image = cv2.GaussianBlur(grey(source.whole(frame, copy_level(source, frame, _PIXELS))), (0, 0), 1.0)
    eigen = np.asarray(cv2.cornerMinEigenVal(image, _BLOCK - 1, ksize=3))
    contrast = np.sqrt(np.maximum(eigen, 0.0)) * ((_BLOCK - 1) / 2.0)  # as in overlap_field
    rows, columns = (n // _BLOCK for n in contrast.shape)
    if not rows or not columns:
        return 0.0
    part = contrast[: rows * _BLOCK, : columns * _BLOCK]
    blocks = part.reshape(rows, _BLOCK, columns, _BLOCK)
    return float(np.mean(blocks.max(axis=(1, 3)) >= _CONTRAST))


def _finding(grave: Grave, frames: tuple[int, ...], words: str, share: float, ties: int) -> Finding:
    return Finding("featureless", grave, frames, words, {"detail_fraction": share, "tie_points": float(ties)})
