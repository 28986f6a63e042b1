"""Frames that the grid places, made surer by soft texture in their overlaps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from belvedere.align.ground_block import Drifting
from belvedere.align.overlap_check import Structures
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.place_plain import PlainFrames
from belvedere.align.soft_texture import Shift, measure_shift, refined_by_shifts
from belvedere.align.solve import Solved
from belvedere.align.start import Sights
from belvedere.align.turn_prediction import Predicted
from belvedere.capture.frame_source import FrameSource

_LEAST_OVERLAP = 0.03
_WIND = 1e-3  # rad per second, one sigma: clouds at 6 km in a wind of 6 m/s; common practice, no source


def place_by_texture(
    source: FrameSource,
    sights: Sights,
    solved: Solved,
    placed: PlainFrames | None,
    seconds: Sequence[float],
    drifting: Drifting | None = None,
) -> PlainFrames | None:
    """The same frames, surer where soft texture tells; those that drifting clouds tie have been heard.

    Parameters
    ----------
    seconds : sequence of float
        When every frame of the series was exposed.
    drifting : Drifting or None
        What is known of the clouds' drift.
    """
    if placed is None:
        return None
    camera_of = dict(zip(solved.frames, solved.cameras(sights), strict=True))
    camera_of |= dict(zip(placed.frames, placed.cameras(sights), strict=True))
    loose = {i for i, drifts in zip(placed.frames, placed.drifting, strict=True) if drifts}
    alone = set(placed.frames) - loose
    sigma = {
        i: math.sqrt(float(np.trace(placed.covariance[k, :, k])) / 3.0) for k, i in enumerate(placed.frames)
    }
    structures = Structures(source)
    every = sorted(camera_of)
    shifts: list[Shift] = []
    for a, b in overlapping_pairs(every, [camera_of[i] for i in every], least=_LEAST_OVERLAP):
        if not {a, b} & alone or {a, b} & loose:
            continue
        within = 3.0 * camera_of[a].focal_px * math.hypot(sigma.get(a, 0.0), sigma.get(b, 0.0))
        found = measure_shift((a, b), {i: structures[i] for i in (a, b)}, camera_of, within)
        if found is not None:
            shifts.append(found)
    if not shifts:
        return placed
    better = refined_by_shifts(
        Predicted(placed.block.rotations, placed.covariance),
        placed.frames,
        shifts,
        camera_of,
        seconds,
        max(_WIND, 0.0 if drifting is None else drifting.rate),
    )
    block = replace(placed.block, rotations=better.rotations)
    return replace(placed, block=block, covariance=better.covariance)
