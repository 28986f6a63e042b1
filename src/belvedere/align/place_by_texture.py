"""Frames that the grid places, made surer by soft texture in their overlaps.

Fine structure of small copies tells roughly where two frames show the same; patches at a finer level then
tell it to a fraction of a pixel. A frame so placed makes the next one's place surer, in a few rounds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from belvedere.align.ground_block import Drifting
from belvedere.align.overlap_check import Structures
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.place_plain import PlainFrames
from belvedere.align.soft_shifts import brought_together, measure_shifts
from belvedere.align.soft_texture import Shift, measure_shift
from belvedere.align.solve import Solved
from belvedere.align.start import Mapper, Pair, Sights
from belvedere.align.texture_filter import refined_by_shifts
from belvedere.align.turn_prediction import Predicted
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

_LEAST_OVERLAP = 0.03
_WIND = 1e-3  # rad per second, one sigma: clouds at 6 km in a wind of 6 m/s; common practice, no source
_ROUNDS = 8  # the last of them finds nothing new: a chain of six frames into plain sky
_SURER = 0.6  # of the sigma at which patches were tried in vain, from which they are tried again
_FARTHEST_SHARE = 0.006  # of the long side, that patches are looked for from where they should be
_SIGMAS = 3.0


def place_by_texture(
    source: FrameSource,
    sights: Sights,
    solved: Solved,
    placed: PlainFrames | None,
    seconds: Sequence[float],
    drifting: Drifting | None = None,
    run: Mapper = map,
) -> PlainFrames | None:
    """The same frames, surer where soft texture tells; those that drifting clouds tie have been heard.

    Parameters
    ----------
    seconds : sequence of float
        When every frame of the series was exposed.
    drifting : Drifting or None
        What is known of the clouds' drift.
    run : Mapper
        Applies a pure function to jobs in order; the result does not depend on it.
    """
    if placed is None:
        return None
    camera_of = dict(zip(solved.frames, solved.cameras(sights), strict=True))
    camera_of |= dict(zip(placed.frames, placed.cameras(sights), strict=True))
    loose = {i for i, drifts in zip(placed.frames, placed.drifting, strict=True) if drifts}
    alone = set(placed.frames) - loose
    every = sorted(camera_of)
    pairs = [
        (a, b)
        for a, b in overlapping_pairs(every, [camera_of[i] for i in every], least=_LEAST_OVERLAP)
        if {a, b} & alone and not {a, b} & loose
    ]
    grid = Predicted(placed.block.rotations, placed.covariance)
    rate = max(_WIND, 0.0 if drifting is None else drifting.rate)
    rough = _rough_shifts(source, pairs, camera_of, _sigmas(placed.frames, grid))
    found: dict[Pair, list[Shift]] = dict(rough)
    tried: dict[Pair, float] = {}
    better = grid
    for _ in range(_ROUNDS):
        shifts = [shift for pair in pairs for shift in found.get(pair, [])]
        if shifts:
            better = refined_by_shifts(grid, placed.frames, shifts, camera_of, seconds, rate)
            for i, rotation in zip(placed.frames, better.rotations, strict=True):
                camera_of[i] = camera_of[i].with_rotation(rotation)
        jobs = _worth_trying(pairs, _sigmas(placed.frames, better), tried)
        fine = run(lambda job: _fine_shifts(source, job[0], camera_of, rough.get(job[0]), job[1]), jobs)
        new = {pair: own for (pair, _), own in zip(jobs, fine, strict=True) if own}
        tried |= dict(jobs) | dict.fromkeys(new, 0.0)  # found once is enough
        if not new:
            break
        found |= new
    block = replace(placed.block, rotations=better.rotations)
    return replace(placed, block=block, covariance=better.covariance)


def _worth_trying(
    pairs: Sequence[Pair], sigma: dict[int, float], tried: dict[Pair, float]
) -> list[tuple[Pair, float]]:
    """Pairs to look at by patches, and how sure they are: all at first, later those that are surer by now."""
    unsure = [(p, math.hypot(sigma.get(p[0], 0.0), sigma.get(p[1], 0.0))) for p in pairs]
    return [(p, s) for p, s in unsure if s < _SURER * tried.get(p, math.inf)]


def _sigmas(frames: Sequence[int], predicted: Predicted) -> dict[int, float]:
    """One sigma of every frame's turn about an axis, rad."""
    return {i: math.sqrt(float(np.trace(predicted.covariance[k, :, k])) / 3.0) for k, i in enumerate(frames)}


def _rough_shifts(
    source: FrameSource, pairs: Sequence[Pair], cameras: dict[int, Camera], sigma: dict[int, float]
) -> dict[Pair, list[Shift]]:
    """What small copies tell of every pair, where they tell anything."""
    structures = Structures(source)
    out: dict[Pair, list[Shift]] = {}
    for a, b in pairs:
        within = _SIGMAS * cameras[a].focal_px * math.hypot(sigma.get(a, 0.0), sigma.get(b, 0.0))
        found = measure_shift((a, b), {i: structures[i] for i in (a, b)}, cameras, within)
        if found is not None:
            out[a, b] = [found]
    return out


def _fine_shifts(
    source: FrameSource, pair: Pair, cameras: dict[int, Camera], rough: list[Shift] | None, sigma: float
) -> list[Shift]:
    """What patches tell of a pair: sought about where its small copies, or else the cameras, have it."""
    two = cameras[pair[0]], cameras[pair[1]]
    if rough:
        two, sigma = brought_together(rough[0], two), rough[0].sigma
    farthest = _FARTHEST_SHARE * max(two[0].width, two[0].height)
    return measure_shifts(source, pair, two, min(_SIGMAS * sigma * two[0].focal_px, farthest))
