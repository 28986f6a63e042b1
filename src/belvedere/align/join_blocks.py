"""Blocks that meet nowhere, joined by the regular steps of the turn where these are plain.

Plain means: enough steps are known and they scatter little against the overlap; the other block is shot with
the same lens, in the same row, in the same steps the same way round; the order shot leaves one place for it,
and the pixels contradict every nearer one. Anything else stays as it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import LENS_PARAMETERS, Block, adjust
from belvedere.align.contradictions import find_contradictions
from belvedere.align.find_block import FoundBlock
from belvedere.align.links import chain_rotations, spanning_tree
from belvedere.align.matching import match
from belvedere.align.overlap_check import Structures, likeness, structure
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.series_places import SeriesPlaces, place_block, places_by_order, shooting_order
from belvedere.align.solve import RoughBlock, feature_ties, solve_by_features
from belvedere.align.start import Mapper, Matches, Sights, verify
from belvedere.align.turn_grid import Places, TurnGrid, fit_turn
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

# What is plain. Common practice, no published source; checked on simulated turns.
_LEAST_STEPS = 4  # known within blocks
_STEP_SCATTER = 0.15  # of the overlap of neighbours
_OTHER_STEP = 0.2  # of the overlap: by how much the other block's step may differ
_OTHER_PITCH = 0.25  # of a frame's height: by how much the other block may look higher or lower by itself
_PITCH_KNOWN = 0.12  # of a frame's height: how well that must be known, or it could be another row
_OTHER_FOCAL = 0.01  # relative, beside three sigmas
_FOCAL_KNOWN = 0.05
_LEAST_OVERLAP = 0.06
_FEATURES = 40  # in an overlap, of either frame, that matching must have been able to use
_UNLIKE = 0.25  # as in contradictions.py
_PAUSE = 2.0  # times the rhythm of the shooting
_PAUSE_S = 5.0


@dataclass(frozen=True, slots=True)
class Joined:
    """A rough block of several parts, joined by the grid.

    Parameters
    ----------
    rough : RoughBlock
        Frames part by part, each with its own tie points; all in one world, as far as the grid tells.
    parts : tuple of tuple of int
        Frames of every part; the first is the block found.
    places : Places or None
        Of `rough.frames`; None with a single part.
    head : ndarray of shape (3, 3)
        The head's axes, as rows.
    """

    rough: RoughBlock
    parts: tuple[tuple[int, ...], ...]
    places: Places | None = None
    head: NDArray[np.float64] | None = None

    @property
    def held(self) -> tuple[int, ...]:
        """Place in `rough.frames` of every part's first frame."""
        return tuple(int(k) for k in np.cumsum([0, *map(len, self.parts)])[:-1])


def join_blocks(
    source: FrameSource,
    frames: Sequence[Frame],
    sights: Sights,
    found: FoundBlock,
    matches: Matches,
    run: Mapper,
) -> Joined:
    """Join other blocks to the block found where the grid is plain; else leave it as it is."""
    alone = Joined(found.rough, (found.rough.frames,))
    others = [b for b in found.blocks[1:] if len(b) > 1]
    groups = {int(sights.group_of[i]) for i in found.rough.frames}
    others = [b for b in others if {int(sights.group_of[i]) for i in b} <= groups]
    if not others:
        return alone
    order = shooting_order([f.name for f in frames])
    known = place_block(found.rough.frames, found.rough.cameras(sights), order)
    if known is None:
        return alone
    joining = _Joining(source, frames, sights, found, matches, run, order, known)
    first, last = min(found.rough.frames), max(found.rough.frames)
    for block in sorted(others, key=lambda b: (max(first - b[-1], b[0] - last), b[0])):
        joining.try_block(tuple(sorted(block)))
    return joining.joined()


class _Joining:
    """What has been joined so far, and what may be joined to it."""

    def __init__(
        self,
        source: FrameSource,
        frames: Sequence[Frame],
        sights: Sights,
        found: FoundBlock,
        matches: Matches,
        run: Mapper,
        order: Sequence[int],
        known: SeriesPlaces,
    ) -> None:
        self.source, self.frames, self.sights, self.found = source, frames, sights, found
        self.matches, self.run, self.order, self.known = matches, run, order, known
        main = found.rough
        self.entries = [(i, 0, r) for i, r in zip(main.frames, main.block.rotations, strict=True)]
        self.roughs = [main]
        camera = main.cameras(sights)[0]
        self.width = 2.0 * math.atan(camera.width / 2.0 / camera.focal_px)
        self.height = 2.0 * math.atan(camera.height / 2.0 / camera.focal_px)

    def try_block(self, block: tuple[int, ...]) -> None:
        """Join a block if its place is plain."""
        by_order = places_by_order(self.known, block, self.order)
        if by_order is None or self._is_apart(block) or self._paused(block):
            return
        places, steps = by_order
        rough = self._solve(block)
        if rough is None:
            return
        grid = self._fit(rough, places)
        if grid is None or not self._is_regular(rough, places, grid):
            return
        if self._contradicted(rough, grid):
            return
        for fewer in range(1, steps):
            nearer = places_by_order(self.known, block, self.order, fewer)
            turned = self._fit(rough, nearer[0]) if nearer else None
            if turned is None or not self._contradicted(rough, turned):
                return  # it might as well stand there
        part = len(self.roughs)
        self.entries += [(i, part, rough.block.rotations[k]) for k, i in enumerate(rough.frames)]
        self.roughs.append(rough)
        self.known = replace(self.known, place=self.known.place | places)

    def joined(self) -> Joined:
        """All that was joined, every part turned to its place."""
        parts = tuple(r.frames for r in self.roughs)
        main = self.roughs[0]
        if len(parts) == 1:
            return Joined(main, parts)
        rotations_seen, places = self._observed()
        grid = fit_turn(rotations_seen, places, self.known.head)
        chosen: Matches = {}
        rotations, lens_of, axes = [], [], []
        for rough, turn in zip(self.roughs, grid.turns, strict=True):
            chosen |= rough.chosen
            rotations.append(rough.block.rotations @ turn.T)
            lens_of.append(rough.block.lens_of)
            axes.append(rough.block.axes)
        block = Block(
            np.concatenate(rotations), main.block.lenses, np.concatenate(lens_of), np.concatenate(axes)
        )
        every = tuple(i for part in parts for i in part)
        return Joined(RoughBlock(every, block, chosen), parts, places, self.known.head)

    def _observed(
        self, rough: RoughBlock | None = None, places: dict[int, tuple[int, int]] | None = None
    ) -> tuple[NDArray[np.float64], Places]:
        """Rotations and places of what is joined, and of one more block."""
        entries = list(self.entries)
        place = dict(self.known.place)
        if rough is not None and places is not None:
            entries += [(i, len(self.roughs), rough.block.rotations[k]) for k, i in enumerate(rough.frames)]
            place |= places
        own = [place[i] for i, _, _ in entries]
        return np.stack([r for _, _, r in entries]), Places(
            np.array([p for _, p, _ in entries]),
            np.array([row for row, _ in own]),
            np.array([column for _, column in own]),
        )

    def _solve(self, block: tuple[int, ...]) -> RoughBlock | None:
        """The other block through the lenses of the first; None where it contradicts itself or the lens."""
        main, links = self.found.rough, self.found.kept
        start = chain_rotations(len(self.frames), spanning_tree(len(self.frames), links))
        lenses, priors = main.block.lenses, self.found.priors
        rough = solve_by_features(
            self.sights, block, links, start, lenses, priors, self.matches, self.run, solve_lens=False
        )
        at = {i: k for k, i in enumerate(rough.frames)}
        ties = feature_ties(self.sights, rough.chosen, at)
        free = [replace(p, focal_px=v.focal_px, focal_sigma=0.3) for v, p in zip(lenses, priors, strict=True)]
        solved = adjust(rough.block, ties, free, want_covariance=True)
        if solved.covariance is None:
            return None
        for g in {int(self.sights.group_of[i]) for i in block}:
            k = 3 * len(block) + LENS_PARAMETERS * g
            sigma = math.sqrt(max(float(solved.covariance[k, k]) * solved.variance_factor, 0.0))
            apart = abs(math.log(solved.block.lenses[g].focal_px / lenses[g].focal_px))
            tagged = all(self.frames[i].metadata.focal_mm is not None for i in block)
            if apart > _OTHER_FOCAL + 3.0 * sigma or (sigma > _FOCAL_KNOWN and not tagged):
                return None
        structures = Structures(self.source)
        cameras = rough.cameras(self.sights)
        if find_contradictions(structures, rough.frames, cameras, links, rough.chosen, self.run).pairs:
            return None
        return rough

    def _fit(self, rough: RoughBlock, places: dict[int, tuple[int, int]]) -> TurnGrid | None:
        rotations, observed = self._observed(rough, places)
        own = [(observed.part == p) for p in range(len(self.roughs) + 1)]
        steps = sum(int(np.count_nonzero(k)) - len(set(observed.row[k].tolist())) for k in own)
        return fit_turn(rotations, observed, self.known.head) if steps >= _LEAST_STEPS else None

    def _is_regular(self, rough: RoughBlock, places: dict[int, tuple[int, int]], grid: TurnGrid) -> bool:
        """Whether the steps are even, and the other block's are the same in the same row."""
        overlap = self.width - abs(grid.step)
        if overlap <= 0.0 or grid.step_scatter > _STEP_SCATTER * overlap:
            return False
        rotations, observed = self._observed(rough, places)
        other = observed.part == len(self.roughs)
        column = observed.column[other].astype(np.float64)
        slope = float(np.polyfit(column, grid.off[other, 0], 1)[0])
        if abs(slope) > _OTHER_STEP * overlap:
            return False
        # as a row of its own: how high it looks is then told by its own steps alone
        row = int(observed.row[other][0])
        own_row = int(observed.row.max()) + 1
        apart = replace(observed, row=np.where(other, own_row, observed.row))
        alone = fit_turn(rotations, apart, self.known.head)
        higher = float(alone.pitch[own_row] - alone.pitch[row])
        c = alone.pitch_covariance
        sigma = math.sqrt(float(c[row, row] + c[own_row, own_row] - 2.0 * c[row, own_row]))
        return sigma < _PITCH_KNOWN * self.height and abs(higher) < _OTHER_PITCH * self.height

    def _contradicted(self, rough: RoughBlock, grid: TurnGrid) -> bool:
        """Whether the other block, turned to its place, covers frames that show something else there."""
        turned = [c.with_rotation(c.rotation @ grid.turns[-1].T) for c in rough.cameras(self.sights)]
        joined: list[tuple[int, Camera]] = []
        for part, turn in zip(self.roughs, grid.turns[:-1], strict=True):
            for i, c in zip(part.frames, part.cameras(self.sights), strict=True):
                joined.append((i, c.with_rotation(c.rotation @ turn.T)))
        camera_of = dict([*joined, *zip(rough.frames, turned, strict=True)])
        every = sorted(camera_of)
        pairs = overlapping_pairs(every, [camera_of[i] for i in every], least=_LEAST_OVERLAP)
        own = set(rough.frames)
        across = [(a, b) for a, b in pairs if (a in own) != (b in own)]
        return any(self._differ(a, b, camera_of) for a, b in across)

    def _differ(self, a: int, b: int, camera_of: dict[int, Camera]) -> bool:
        """Whether both frames show enough where they should overlap, and not the same."""
        features = self.sights.features
        for one, other in ((a, b), (b, a)):
            seen = camera_of[other].project(camera_of[one].rays(features[one].points))[1]
            if np.count_nonzero(seen) < _FEATURES:
                return False
        pair = (min(a, b), max(a, b))
        if pair not in self.matches:
            self.matches[pair] = match(features[pair[0]], features[pair[1]])
        lenses = self.found.rough.block.lenses
        if verify(self.sights, lenses, pair, self.matches[pair]) is not None:
            return False
        alike = likeness(structure(self.source, a), structure(self.source, b), camera_of[a], camera_of[b])
        return bool(np.isfinite(alike.correlation)) and alike.correlation < _UNLIKE

    def _is_apart(self, block: tuple[int, ...]) -> bool:
        """Whether frames of yet another block were shot between what is joined and this one."""
        many = {i for b in self.found.blocks if len(b) > 1 for i in b} - set(self.known.place) - set(block)
        before, after = self._neighbours(block)
        return any(before < i < block[0] or block[-1] < i < after for i in many)

    def _neighbours(self, block: tuple[int, ...]) -> tuple[int, int]:
        """The frames joined already that were shot last before a block and first after it; -1, count."""
        near = self.known.place
        before = max((i for i in near if i < block[0]), default=-1)
        return before, min((i for i in near if i > block[-1]), default=len(self.frames))

    def _paused(self, block: tuple[int, ...]) -> bool:
        """Whether the photographer stopped for long before or after the block: another series, perhaps."""
        taken = [f.metadata.taken for f in self.frames]
        rhythm = [_seconds(taken[i], taken[i + 1]) for i in range(len(taken) - 1)]
        known = [s for s in rhythm if s is not None]
        if not known:
            return False
        usual = float(np.median(known))
        before, after = self._neighbours(block)
        ends = [(before, block[0])] if before >= 0 else []
        ends += [(block[-1], after)] if after < len(taken) else []
        for i, j in ends:
            seconds = _seconds(taken[i], taken[j])
            longest = _PAUSE * usual * (self.order[j] - self.order[i]) + _PAUSE_S
            if seconds is not None and seconds > longest:
                return True
        return False


def _seconds(first: datetime | None, second: datetime | None) -> float | None:
    return abs((second - first).total_seconds()) if first and second else None
