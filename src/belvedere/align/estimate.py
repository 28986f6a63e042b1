"""The door: from frames to their alignment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from threadpoolctl import threadpool_limits

from belvedere.align.alignment import Alignment
from belvedere.align.answer import with_answer
from belvedere.align.assemble import assemble
from belvedere.align.block import LensPrior
from belvedere.align.features import Features, detect, grey_copy
from belvedere.align.find_block import find_block
from belvedere.align.ground_block import Drifting, hold_to_ground
from belvedere.align.join_blocks import join_blocks
from belvedere.align.lens_groups import Group, group_frames, sensor_axes
from belvedere.align.level import estimate_level
from belvedere.align.moving_sky import find_moving_sky
from belvedere.align.options import AlignOptions
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.place_by_texture import place_by_texture
from belvedere.align.place_parts import place_parts
from belvedere.align.place_plain import place_plain
from belvedere.align.said import Said, said_of
from belvedere.align.solve import Solved, solve_finely
from belvedere.align.start import Mapper, Matches, Sights, learn_lenses, match_likely_pairs
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource

_ALL_FEATURES = 1_250_000  # of a series, at half a kilobyte each
_RHYTHM_S = 4.0  # from frame to frame, where no times are told
_LEAST_FEATURES = 500  # of a frame, however many there are


def estimate_alignment(
    source: FrameSource,
    frames: Sequence[Frame],
    options: AlignOptions,
    run: Mapper = map,
    *,
    names: Sequence[str] | None = None,
    features: Sequence[Features] | None = None,
) -> Alignment:
    """Find where every frame looked.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    frames : sequence of Frame
        In the order of the series.
    options : AlignOptions
        What the person said.
    run : Mapper
        Applies a pure function to jobs in order; the result does not depend on it.
    names : sequence of str or None
        What the options call the frames, one a frame; None: their file names.
    features : sequence of Features or None
        Of every frame, where `frame_features` has found them already.

    Returns
    -------
    Alignment
        The largest block that hangs together; what is not in it is named with the reason.

    Raises
    ------
    NothingToMake
        If no two frames can be shown to overlap, or tie points set by hand contradict one another.
    """
    said = said_of(options, [frame.name for frame in frames] if names is None else names)
    with threadpool_limits(1, user_api="blas"):
        if features is None:
            count = len(frames)
            features = tuple(run(lambda i: frame_features(source, i, options, count), range(count)))
        solved = _estimate(source, frames, tuple(features), options, said, run)
        return with_answer(solved, said, [f.name for f in frames])


def frame_features(source: FrameSource, frame: int, options: AlignOptions, count: int = 1) -> Features:
    """Features of one frame of a series of `count`: of a very long one fewer, so that all fit into memory."""
    grey, _ = grey_copy(source, frame, options.feature_pixels)
    return detect(grey, source.size(frame, 0), most=most_features(options, count))


def most_features(options: AlignOptions, count: int) -> int:
    """Most features of a frame in a series of `count`."""
    return min(options.features_per_frame, max(_LEAST_FEATURES, _ALL_FEATURES // count))


def _estimate(
    source: FrameSource,
    frames: Sequence[Frame],
    features: tuple[Features, ...],
    options: AlignOptions,
    said: Said,
    run: Mapper,
) -> Alignment:
    groups = group_frames(frames, options.focal_35mm, options.lens_starts)
    sights = _sights(source, frames, features, groups, said)
    matches = match_likely_pairs(features, run)
    starts = learn_lenses(sights, groups, matches, run)
    found = find_block(source, sights, starts, matches, said, run, [f.name for f in frames])
    joined = join_blocks(source, frames, sights, found, matches, run)
    most, held = options.ties_per_pair, joined.held
    solved = solve_finely(source, sights, joined.rough, found.priors, run, ties_per_pair=most, held=held)
    solved, join = place_parts(solved, joined)
    seconds = _seconds(frames)
    drifting = None
    if join is None:
        solved, drifting = _held_by_ground(seconds, sights, solved, matches, found.priors)
    cameras = solved.cameras(sights)
    turn, level = estimate_level(
        source,
        frames,
        solved.frames,
        cameras,
        horizon_points=said.horizon,
        plumb_lines=said.plumb,
        first_part=len(joined.parts[0]),
        run=run,
    )
    plain = place_plain(source, frames, sights, found, solved, said.left_out, drifting, options.plan)
    plain = place_by_texture(source, sights, solved, plain, seconds, drifting, run)
    return assemble(
        frames, sights, groups, starts, found, solved, turn, level, set(said.left_out), join, plain
    )


def _held_by_ground(
    seconds: Sequence[float],
    sights: Sights,
    solved: Solved,
    matches: Matches,
    priors: Sequence[LensPrior],
) -> tuple[Solved, Drifting | None]:
    """The block as what does not move holds it, where clouds are seen to drift."""
    cameras = solved.cameras(sights)
    down = estimate_pan_axis(cameras).down
    moving = find_moving_sky(sights, solved.frames, cameras, matches, seconds, down)
    return (solved, None) if moving is None else hold_to_ground(sights, solved, moving, priors, seconds)


def _seconds(frames: Sequence[Frame]) -> list[float]:
    """When every frame was exposed, s from the first; without times, a few seconds a frame."""
    taken = [f.metadata.taken for f in frames]
    known = [t for t in taken if t is not None]
    if len(known) < len(taken) or len(set(known)) < 2:
        return [_RHYTHM_S * i for i in range(len(frames))]
    return [(t - known[0]).total_seconds() for t in known]


def _sights(
    source: FrameSource,
    frames: Sequence[Frame],
    features: tuple[Features, ...],
    groups: Sequence[Group],
    said: Said,
) -> Sights:
    sizes = np.array([source.size(i, 0) for i in range(len(frames))], dtype=np.float64)
    group_of = np.zeros(len(frames), dtype=np.int64)
    for g, group in enumerate(groups):
        group_of[list(group.frames)] = g
    return Sights(features, (sizes - 1.0) / 2.0, sensor_axes(frames), group_of, said.ties)
