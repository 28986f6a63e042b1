"""The door: from frames to their alignment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from belvedere.align.alignment import Alignment, LensGroup, PairTies, Placement
from belvedere.align.certainty import doubts, placement_sigmas
from belvedere.align.features import Features, detect, grey_copy
from belvedere.align.lens_groups import Group, group_frames, sensor_axes
from belvedere.align.level import estimate_level
from belvedere.align.links import Link, components, consistent
from belvedere.align.options import AlignOptions
from belvedere.align.rows import rows_and_columns
from belvedere.align.solve import Solved, frame_grid, overlap_fraction, solve_block
from belvedere.align.start import Mapper, Sights, StartingLens, learn_lenses, match_likely_pairs, verify_pairs
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.errors import NothingToMake
from belvedere.geometry.camera import Camera


def estimate_alignment(
    source: FrameSource, frames: Sequence[Frame], options: AlignOptions, run: Mapper = map
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

    Returns
    -------
    Alignment
        The largest block that hangs together; what is not in it is named with the reason.

    Raises
    ------
    NothingToMake
        If no two frames can be shown to overlap.
    """
    with threadpool_limits(1, user_api="blas"):
        return _estimate(source, frames, options, run)


def detect_features(
    source: FrameSource, count: int, options: AlignOptions, run: Mapper = map
) -> tuple[Features, ...]:
    """Features of all frames."""

    def one(frame: int) -> Features:
        grey, _ = grey_copy(source, frame, options.feature_pixels)
        return detect(grey, source.size(frame, 0), most=options.features_per_frame)

    return tuple(run(one, range(count)))


def _estimate(source: FrameSource, frames: Sequence[Frame], options: AlignOptions, run: Mapper) -> Alignment:
    features = detect_features(source, len(frames), options, run)
    groups = group_frames(frames, options.focal_35mm)
    sights = _sights(source, frames, features, groups)
    matches = match_likely_pairs(features, run)
    starts = learn_lenses(sights, groups, matches)
    lenses = [s.lens for s in starts]
    links = verify_pairs(sights, lenses, matches, run)
    left_out = {i for i, f in enumerate(frames) if f.name in options.leave_out}
    links = [v for v in links if v.a not in left_out and v.b not in left_out]
    field = max(
        float(np.linalg.norm(sights.centres[i])) / lenses[sights.group_of[i]].focal_px
        for i in range(len(frames))
    )
    rotations, kept, lost = consistent(len(frames), links, tolerance=max(0.01, 0.04 * field))
    blocks = components(len(frames), kept)
    if len(blocks[0]) < 2:
        raise NothingToMake(
            f"no two of the {len(frames)} frames show the same thing; frames must overlap by about a third"
        )
    solved = solve_block(
        source,
        sights,
        blocks[0],
        kept,
        rotations,
        lenses,
        [s.prior for s in starts],
        matches,
        run,
        ties_per_pair=options.ties_per_pair,
    )
    return _assemble(
        source, frames, options, run, sights, groups, starts, solved, blocks, kept, lost, left_out
    )


def _sights(
    source: FrameSource, frames: Sequence[Frame], features: tuple[Features, ...], groups: Sequence[Group]
) -> Sights:
    sizes = np.array([source.size(i, 0) for i in range(len(frames))], dtype=np.float64)
    group_of = np.zeros(len(frames), dtype=np.int64)
    for g, group in enumerate(groups):
        group_of[list(group.frames)] = g
    return Sights(features, (sizes - 1.0) / 2.0, sensor_axes(frames), group_of)


def _assemble(
    source: FrameSource,
    frames: Sequence[Frame],
    options: AlignOptions,
    run: Mapper,
    sights: Sights,
    groups: Sequence[Group],
    starts: Sequence[StartingLens],
    solved: Solved,
    blocks: Sequence[Sequence[int]],
    links: Sequence[Link],
    lost: Sequence[Link],
    left_out: set[int],
) -> Alignment:
    cameras = solved.cameras(sights)
    turn, level = estimate_level(
        source, frames, solved.frames, cameras, horizon_points=options.horizon_points, run=run
    )
    cameras = [c.with_rotation(c.rotation @ turn.T) for c in cameras]
    sigmas = placement_sigmas(solved, cameras)
    doubt = doubts(solved, sigmas, links, lost, cameras)
    places = rows_and_columns(cameras)
    at = {i: k for k, i in enumerate(solved.frames)}
    placements = []
    for i, frame in enumerate(frames):
        lens = int(sights.group_of[i])
        if i in at:
            k = at[i]
            sigma = float(sigmas[k]) if np.isfinite(sigmas[k]) else None
            row, column = places[k]
            placements.append(Placement(lens, cameras[k], row, column, "tie-points", sigma, doubt[k], None))
        else:
            placements.append(
                Placement(lens, None, reason=_reason(i, frame, frames, blocks, links, left_out))
            )
    return Alignment(
        tuple(placements),
        _lens_groups(groups, starts, solved),
        _pairs(frames, solved, sights, cameras),
        level,
        tuple(tuple(b) for b in blocks),
        _rms(solved.adjusted.residuals, solved.adjusted.weights),
        tuple(s.notice for s in starts if s.notice),
    )


def _reason(
    i: int,
    frame: Frame,
    frames: Sequence[Frame],
    blocks: Sequence[Sequence[int]],
    links: Sequence[Link],
    left_out: set[int],
) -> str:
    if i in left_out:
        return "left out on request"
    own = next(b for b in blocks if i in b)
    if len(own) == 1:
        return "shows nothing that can be recognised in another frame"
    names = ", ".join(frames[k].name for k in own[:4]) + (" ..." if len(own) > 4 else "")
    return f"belongs to another block of {len(own)} frames ({names}) that meets this picture nowhere"


def _lens_groups(
    groups: Sequence[Group], starts: Sequence[StartingLens], solved: Solved
) -> tuple[LensGroup, ...]:
    out = []
    for group, start, lens in zip(groups, starts, solved.adjusted.block.lenses, strict=True):
        m = group.metadata
        body = " ".join(v for v in (m.make, m.model) if v) or None
        out.append(
            LensGroup(
                body,
                m.lens,
                m.focal_mm,
                m.stored_width,
                m.stored_height,
                lens.focal_px,
                start.lens.focal_px,
                lens.offset,
                lens.distortion,
            )
        )
    return tuple(out)


def _pairs(
    frames: Sequence[Frame], solved: Solved, sights: Sights, cameras: Sequence[Camera]
) -> tuple[PairTies, ...]:
    out = []
    for k, (i, j) in enumerate(solved.ties.pairs.tolist()):
        part = slice(int(solved.ties.start[k]), int(solved.ties.start[k + 1]))
        a, b = solved.frames[i], solved.frames[j]
        points = solved.ties.points[part]
        share = overlap_fraction(cameras[i].rays(frame_grid(cameras[i], 24)), cameras[j])
        taken = [frames[a].metadata.taken, frames[b].metadata.taken]
        seconds = abs((taken[1] - taken[0]).total_seconds()) if taken[0] and taken[1] else None
        out.append(
            PairTies(
                a,
                b,
                points[:, :2] + sights.centres[a],
                points[:, 2:] + sights.centres[b],
                _rms(solved.adjusted.residuals[part], solved.adjusted.weights[part]),
                share,
                seconds,
            )
        )
    return tuple(out)


def _rms(residuals: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Weighted RMS length of residuals, px."""
    if not len(residuals) or weights.sum() <= 0:
        return 0.0
    return float(np.sqrt(np.sum(weights * np.sum(residuals**2, axis=1)) / weights.sum()))


def relevelled(alignment: Alignment, turn: NDArray[np.float64]) -> Alignment:
    """The same alignment in a world turned by `turn` (3 x 3)."""
    frames = tuple(
        replace(p, camera=p.camera.with_rotation(p.camera.rotation @ turn.T)) if p.camera else p
        for p in alignment.frames
    )
    return replace(alignment, frames=frames)
