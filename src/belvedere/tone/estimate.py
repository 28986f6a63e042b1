"""The door: how bright every frame was, from what overlapping frames have in common."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from belvedere.align.alignment import Alignment
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.capture.response_curve import is_plausible, whole_curve
from belvedere.capture.transfer import Transfer
from belvedere.tone.evidence import explains_more, powers_from_settings, unexplained_ev
from belvedere.tone.groups import Groups, group_tone
from belvedere.tone.medians import medians
from belvedere.tone.notices import tone_notices
from belvedere.tone.options import ToneOptions
from belvedere.tone.samples import PairSamples, draw_samples
from belvedere.tone.solve import Solution, Unknowns, solve_tone
from belvedere.tone.tone import FrameTone, Response, Tone


def estimate_tone(
    source: FrameSource,
    frames: Sequence[Frame],
    alignment: Alignment,
    transfers: Sequence[Transfer],
    options: ToneOptions | None = None,
    to_common: Sequence[NDArray[np.float64] | None] | None = None,
) -> Tone:
    """Estimate gain, white balance, vignetting and, where the overlaps show one, a response.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels; reduced levels are read, one frame at a time.
    frames : sequence of Frame
        The set; exposure settings and body are read from each frame's first exposure.
    alignment : Alignment
        Solved cameras; frames without one are left out (None in the result).
    transfers : sequence of Transfer
        Each frame's code-to-light curve.
    to_common : sequence of (ndarray of shape (3, 3) or None), or None
        What takes each frame's linear RGB to the picture's primaries (`capture.primaries.common_profile`);
        None: all have the same. Gains and white balance are found in those primaries.

    Returns
    -------
    Tone
        Gain and white balance with geometric mean 1 over the used frames. `steps` holds every pair of used
        frames with at least 30 usable common directions.

    Raises
    ------
    ValueError
        If frames, alignment, transfers and matrices differ in number.
    """
    options = options or ToneOptions()
    matrices = [None] * len(frames) if to_common is None else list(to_common)
    if not len(frames) == len(alignment.frames) == len(transfers) == len(matrices):
        raise ValueError(
            f"expected as many placements, transfers and matrices as frames, got {len(frames)} frames, "
            f"{len(alignment.frames)} placements, {len(transfers)} transfers, {len(matrices)} matrices"
        )
    tables = [np.ascontiguousarray(t.to_linear, dtype=np.float32) for t in transfers]
    groups = group_tone(frames, alignment, tables, options.lens_starts)
    cameras = [p.camera for p in alignment.frames]
    shifts = _shifts(alignment)
    samples = _by_place(draw_samples(source, cameras, tables, shifts, options, matrices), groups)
    first_of = [int(np.flatnonzero(groups.response == r)[0]) for r in range(_count(groups.response))]
    response_tables = [tables[groups.used[n]] for n in first_of]
    with threadpool_limits(limits=1, user_api="blas"):
        solution, with_curve = _solve(samples, groups, response_tables, options)
    unknowns = _centred(solution.unknowns)
    responses = tuple(
        _response(transfers[groups.used[n]], table, unknowns.curve[r], with_curve[r])
        for r, (n, table) in enumerate(zip(first_of, response_tables, strict=True))
    )
    own: list[FrameTone | None] = [None] * len(frames)
    for place, frame in enumerate(groups.used):
        red, blue = np.exp2(unknowns.white[place])
        a1, a2, a3 = unknowns.vignetting[groups.vignetting[place]]
        own[frame] = FrameTone(
            gain=float(np.exp2(unknowns.gain[place])),
            white_balance=(float(red), 1.0, float(blue)),
            vignetting=(float(a1), float(a2), float(a3)),
            response=int(groups.response[place]),
            to_common=_rows(matrices[frame]),
        )
    steps = _steps(samples, solution, groups)
    names = [f.name for f in frames]
    in_scene = bool(frames) and all(e.light == "scene" for f in frames for e in f.exposures)
    notices = tone_notices(names, groups, samples, unknowns, steps, with_curve, scene_light=in_scene)
    return Tone(tuple(own), responses, steps, notices)


def _solve(
    samples: PairSamples, groups: Groups, tables: list[NDArray[np.float32]], options: ToneOptions
) -> tuple[Solution, tuple[bool, ...]]:
    """The solution with the profile curves alone or, where they explain clearly more, estimated ones."""
    none = (False,) * len(tables)
    plain = solve_tone(samples, groups, tables, with_curve=none)
    seen = {int(groups.response[n]) for n in np.concatenate([samples.a, samples.b])}
    wanted = tuple(r in seen for r in range(len(tables)))
    if not options.estimate_response or not any(wanted):
        return plain, none
    without = unexplained_ev(samples, plain, groups, tables)
    for stiffness in (1.0, 3e2, 1e5):
        bent = solve_tone(samples, groups, tables, with_curve=wanted, stiffness=stiffness)
        if not explains_more(without, unexplained_ev(samples, bent, groups, tables)):
            break
        powers = powers_from_settings(groups, bent.unknowns, tables)
        if any(p != 0.0 for p in powers):
            bent = solve_tone(samples, groups, tables, with_curve=wanted, powers=powers, stiffness=stiffness)
        if all(is_plausible(t, bent.unknowns.curve[r]) for r, t in enumerate(tables)):
            return bent, wanted
    return plain, none


def _centred(unknowns: Unknowns) -> Unknowns:
    """Gain and white balance with mean 0 in log2 over the used frames."""
    if unknowns.gain.size == 0:
        return unknowns
    return replace(
        unknowns,
        gain=unknowns.gain - unknowns.gain.mean(),
        white=unknowns.white - unknowns.white.mean(axis=0),
    )


def _rows(matrix: NDArray[np.float64] | None) -> tuple[tuple[float, float, float], ...] | None:
    """A matrix as plain numbers."""
    return None if matrix is None else tuple((float(a), float(b), float(c)) for a, b, c in matrix)


def _response(
    transfer: Transfer, table: NDArray[np.float32], curve: NDArray[np.float64], estimated: bool
) -> Response:
    """One response: as the transfer has it, or bent by the estimated curve."""
    if not estimated:
        return Response(transfer.known_from, table)
    light = whole_curve(table, curve).astype(np.float32)
    return Response("overlaps", light, tuple(float(c) for c in curve))


def _shifts(alignment: Alignment) -> list[float]:
    """By how much every frame may be off against those it is compared with, px.

    A frame placed by the grid together with its neighbours fits these as well as their tie points do.
    """
    shifts = [p.placement_sigma_px or 0.0 for p in alignment.frames]
    for i, placed in enumerate(alignment.frames):
        own = [p.rms_px for p in alignment.pairs if i in (p.a, p.b)]
        if placed.placed_by == "grid" and own:
            shifts[i] = max(own)
    return shifts


def _steps(samples: PairSamples, solution: Solution, groups: Groups) -> tuple[tuple[int, int, float], ...]:
    """Median over each overlap of the three channels' mean step left, EV, b over a."""
    valid = np.isfinite(samples.variance)
    mean = np.sum(solution.residual * valid, axis=0) / np.maximum(valid.sum(axis=0), 1)
    middle = medians(mean, samples.first)
    return tuple(
        (groups.used[a], groups.used[b], float(m))
        for a, b, m in zip(samples.a, samples.b, middle, strict=True)
    )


def _by_place(samples: PairSamples, groups: Groups) -> PairSamples:
    """The samples with frames counted among the used ones."""
    place = np.zeros(max(groups.used, default=0) + 1, dtype=np.int64)
    place[list(groups.used)] = np.arange(len(groups.used))
    return replace(samples, a=place[samples.a], b=place[samples.b])


def _count(numbers: NDArray[np.int64]) -> int:
    """How many groups there are."""
    return int(numbers.max(initial=-1)) + 1
