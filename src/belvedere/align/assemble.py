"""The alignment as the rooms above read it, from a solved and levelled block."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import ON_REQUEST, Alignment, LensGroup, Level, PairTies, Placement
from belvedere.align.certainty import doubts, grid_sigmas, placement_sigmas, plain_doubts, plain_sigmas
from belvedere.align.find_block import FoundBlock
from belvedere.align.lens_groups import Group
from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.align.place_parts import GridJoin
from belvedere.align.place_plain import PlainFrames
from belvedere.align.rows import rows_and_columns, with_columns_open, with_gaps
from belvedere.align.solve import Solved
from belvedere.align.start import Sights, StartingLens
from belvedere.capture.frame import Frame
from belvedere.geometry.camera import Camera

PlacedBy = Literal["tie-points", "grid"]


def assemble(
    frames: Sequence[Frame],
    sights: Sights,
    groups: Sequence[Group],
    starts: Sequence[StartingLens],
    found: FoundBlock,
    solved: Solved,
    turn: NDArray[np.float64],
    level: Level,
    left_out: set[int],
    join: GridJoin | None = None,
    plain: PlainFrames | None = None,
) -> Alignment:
    """Put the alignment together.

    Parameters
    ----------
    turn : ndarray of shape (3, 3)
        From the world of the block to that which is level.
    left_out : set of int
        Frames the photographer wants left out.
    join : GridJoin or None
        How parts of the block that meet nowhere were joined.
    plain : PlainFrames or None
        Frames without tie points that the grid places.
    """
    own = solved.cameras(sights)  # in the world of the covariance
    sigmas = placement_sigmas(solved, own)
    doubt = doubts(solved, sigmas, found, own, [f.name for f in frames], join)
    cameras = [c.with_rotation(c.rotation @ turn.T) for c in own]
    alone = [] if plain is None else plain.cameras(sights)
    every = [*cameras, *(c.with_rotation(c.rotation @ turn.T) for c in alone)]
    places = rows_and_columns(every)
    by_grid = np.zeros(len(cameras), dtype=bool)
    if join is not None:
        by_grid = join.part_of > 0
        sigmas = np.where(by_grid, np.hypot(np.nan_to_num(sigmas), grid_sigmas(join, own)), sigmas)
        places = with_gaps(places, join.gaps)
    if join is None:
        places = with_columns_open(places, every)
    at = {i: k for k, i in enumerate(solved.frames)}
    by_turn = _by_turn(plain, alone, own, sigmas)
    placements = []
    for i in range(len(frames)):
        lens = int(sights.group_of[i])
        if i in at:
            k = at[i]
            sigma = float(sigmas[k]) if np.isfinite(sigmas[k]) else None
            row, column = places[k]
            by: PlacedBy = "grid" if by_grid[k] else "tie-points"
            placements.append(Placement(lens, cameras[k], row, column, by, sigma, doubt[k], None))
        elif i in by_turn:
            m, by, sigma, said = by_turn[i]
            k = len(cameras) + m
            placements.append(Placement(lens, every[k], *places[k], by, sigma, said))
        else:
            placements.append(Placement(lens, None, reason=_reason(i, frames, found.blocks, left_out)))
    return Alignment(
        tuple(placements),
        _lens_groups(groups, starts, solved),
        _pairs(frames, solved, sights, cameras),
        level,
        found.blocks,
        _rms(solved.adjusted.residuals, solved.adjusted.weights),
        tuple(s.notice for s in starts if s.notice),
    )


def _by_turn(
    plain: PlainFrames | None,
    alone: Sequence[Camera],
    tied: Sequence[Camera],
    tied_sigmas: NDArray[np.float64],
) -> dict[int, tuple[int, PlacedBy, float | None, str | None]]:
    """Of every frame that no detail ties: its number among them, what places it, sigma in px, doubt."""
    if plain is None:
        return {}
    sigmas = plain_sigmas(plain.covariance, alone, tied, tied_sigmas)
    said = plain_doubts(sigmas, alone, plain)
    return {
        i: (
            m,
            "grid" if plain.by_grid[m] else "tie-points",
            float(sigmas[m]) if np.isfinite(sigmas[m]) else None,
            said[m],
        )
        for m, i in enumerate(plain.frames)
    }


def _reason(i: int, frames: Sequence[Frame], blocks: Sequence[Sequence[int]], left_out: set[int]) -> str:
    if i in left_out:
        return ON_REQUEST
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
