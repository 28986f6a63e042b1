"""Frames with nothing to tie them by, placed by the regularity of the turn where the order shot tells where.

Which place of the grid is empty for them follows from the order shot (`order_cells`); where that place looks,
and how surely, from the steps of the turn and from the tied frames beside it (`turn_prediction`). A frame is
left out where its place is not plain, where the turn is too uneven, or where its pixels speak against it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Block
from belvedere.align.find_block import FoundBlock
from belvedere.align.ground_block import Drifting
from belvedere.align.order_cells import Cell, cells_between, cells_of_whole_rows, cells_within
from belvedere.align.overlap_check import structure
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.plain_check import light, light_agrees, structure_verdict
from belvedere.align.planned_places import PlannedPlaces, planned_places, stops_by_order
from belvedere.align.series_places import shooting_order
from belvedere.align.solve import Solved, cameras_of
from belvedere.align.start import Sights
from belvedere.align.tied_grid import TiedGrid, cells_seen, tied_grid
from belvedere.align.turn_prediction import predict, refined
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.plan.shoot_plan import ShootPlan

# Common practice, no published source; checked on simulated sets.
_LARGEST_BLOCK = 3  # frames that hang together by themselves and are still placed one by one
_PLAIN_FEATURES = 60  # up to which a frame counts as plain, of the features kept
_SIGMA_OF_OVERLAP = 0.15  # of the overlap of neighbours: where a place is surer than that, it is used
_LEAST_OVERLAP = 0.03


@dataclass(frozen=True, slots=True)
class PlainFrames:
    """Frames that no detail ties to the block that holds.

    Parameters
    ----------
    frames : tuple of int
        Frame indices.
    block : Block
        Their rotations, in the world of the solved block, and lenses.
    covariance : ndarray of shape (m, 3, m, 3)
        Of their turns against the block, as small rotations in the world, rad^2.
    by_grid : ndarray of shape (m,), bool
        Whether the steps of the turn place them; else drifting clouds alone do.
    drifting : ndarray of shape (m,), bool
        Whether drifting clouds tie them.
    """

    frames: tuple[int, ...]
    block: Block
    covariance: NDArray[np.float64]
    by_grid: NDArray[np.bool_]
    drifting: NDArray[np.bool_]

    def cameras(self, sights: Sights) -> list[Camera]:
        """Cameras of `frames`."""
        return cameras_of(self.block, self.frames, sights)

    def part(self, which: Sequence[int]) -> PlainFrames:
        """Some of the frames, by their places."""
        k = list(which)
        block = Block(self.block.rotations[k], self.block.lenses, self.block.lens_of[k], self.block.axes[k])
        return PlainFrames(
            tuple(self.frames[i] for i in k),
            block,
            self.covariance[k][:, :, k],
            self.by_grid[k],
            self.drifting[k],
        )


def place_plain(
    source: FrameSource,
    frames: Sequence[Frame],
    sights: Sights,
    found: FoundBlock,
    solved: Solved,
    left_out: frozenset[int],
    drifting: Drifting | None = None,
    plan: ShootPlan | None = None,
) -> PlainFrames | None:
    """Place the frames that nothing ties to a solved block; None where there is none to place.

    Parameters
    ----------
    left_out : frozenset of int
        Frames the photographer wants left out.
    drifting : Drifting or None
        Frames tied by drifting clouds alone: they help as far as they are sure.
    plan : ShootPlan or None
        The set was shot by it: its stops tell the places, where its frames stand at them.
    """
    used = set(solved.frames)
    groups = {int(sights.group_of[i]) for i in used}
    small = {i for b in found.blocks if len(b) <= _LARGEST_BLOCK for i in b}
    loose = () if drifting is None else drifting.frames
    wanted = sorted(i for i in small - used - left_out - set(loose) if int(sights.group_of[i]) in groups)
    if not wanted and drifting is None:
        return None
    cameras = solved.cameras(sights)
    rotations = np.stack([c.rotation for c in cameras])
    planned = None if plan is None else _planned(frames, solved, cameras, [*wanted, *loose], plan)
    if planned is not None and all(i in planned[1] for i in loose):
        places, cells = planned
        grid, lone = places.grid, sorted(cells)
        if not lone:
            return None
        at_stops = [k for k, i in enumerate(solved.frames) if i in grid.place]
        own = [grid.place[solved.frames[k]] for k in at_stops]
        predicted = places.predict(rotations[at_stops], own, [cells[i] for i in lone])
    else:
        told = _cells(frames, sights, solved, cameras, wanted)
        if told is None:
            return None if drifting is None else _by_clouds(drifting)
        grid, cells = told
        if drifting is not None:
            seen = cells_seen(grid, solved.frames, cameras, loose, drifting.cameras(sights))
            cells = {i: c for i, c in cells.items() if c not in seen.values()} | seen
        if not cells:
            return None
        lone = sorted(cells)
        predicted = predict(
            rotations,
            np.array([grid.place[i] for i in solved.frames]),
            np.array([cells[i] for i in lone]),
            grid.head,
            grid.step,
        )
    at = {i: k for k, i in enumerate(lone)}
    if drifting is not None:
        predicted = refined(predicted, [at[i] for i in loose], drifting.block.rotations, drifting.covariance)
    placed = PlainFrames(
        tuple(lone),
        Block(predicted.rotations, solved.adjusted.block.lenses, sights.group_of[lone], sights.axes[lone]),
        predicted.covariance,
        np.ones(len(lone), dtype=bool),
        np.array([i in loose for i in lone]),
    )
    stay = _standing(source, frames, solved, cameras, placed, placed.cameras(sights), grid.step)
    return placed.part(stay) if stay else None


def _by_clouds(drifting: Drifting) -> PlainFrames:
    """Frames tied by clouds where no grid helps."""
    m = len(drifting.frames)
    return PlainFrames(
        drifting.frames,
        drifting.block,
        drifting.covariance,
        np.zeros(m, dtype=bool),
        np.ones(m, dtype=bool),
    )


def _cells(
    frames: Sequence[Frame],
    sights: Sights,
    solved: Solved,
    cameras: Sequence[Camera],
    wanted: Sequence[int],
) -> tuple[TiedGrid, dict[int, Cell]] | None:
    """The grid of the tied frames, and the only place that the order shot leaves to frames wanted.

    The order counts by the files' own counter, or by the files there are, or leaves out those that show much
    and fit nowhere (a marker frame between two rows). Where two of these disagree, the place is not plain.
    """
    n = len(frames)
    used = set(solved.frames)
    strangers = {
        i
        for i in range(n)
        if i not in used and (i not in wanted or len(sights.features[i].points) > _PLAIN_FEATURES)
    }
    numberings = [shooting_order([f.name for f in frames]), list(range(n))]
    numberings.append([i - sum(s < i for s in strangers) for i in range(n)])
    first_grid: TiedGrid | None = None
    told: dict[int, set[Cell]] = {}
    for k, number in enumerate(numberings):
        if any(number == other for other in numberings[:k]):
            continue
        counted = [i for i in range(n) if k < 2 or i not in strangers]
        grid = tied_grid(solved.frames, cameras, [number[i] for i in solved.frames])
        if grid is None:
            continue
        if first_grid is None:
            first_grid = grid
        elif first_grid.place != grid.place:
            return None
        by_number = {number[i]: i for i in counted}
        ends = number[counted[0]], number[counted[-1]]
        ways = [cells_between(grid.rows), cells_within(grid.rows, *ends)]
        ways += cells_of_whole_rows(grid.rows, *ends)
        for way in ways:
            for at, cell in way.items():
                i = by_number.get(at)
                if i is not None and i in wanted:
                    told.setdefault(i, set()).add(cell)
    if first_grid is None:
        return None
    taken = set(first_grid.place.values())
    single = {i: next(iter(cells)) for i, cells in told.items() if len(cells) == 1}
    claims = list(single.values())
    return first_grid, {i: c for i, c in single.items() if c not in taken and claims.count(c) == 1}


def _planned(
    frames: Sequence[Frame],
    solved: Solved,
    cameras: Sequence[Camera],
    wanted: Sequence[int],
    plan: ShootPlan,
) -> tuple[PlannedPlaces, dict[int, Cell]] | None:
    """The plan's grid with the tied frames in it, and the only stop the order shot leaves to frames wanted.

    The order counts by the files' own counter, or by the files there are; where they disagree, it is not
    plain.
    """
    n = len(frames)
    first: PlannedPlaces | None = None
    told: dict[int, set[Cell]] = {}
    for number in (shooting_order([f.name for f in frames]), list(range(n))):
        places = planned_places(plan, solved.frames, cameras, dict(enumerate(number)))
        if places is None or (first is not None and places.stop_of != first.stop_of):
            return None
        first = first or places
        for i, stop in stops_by_order(places, wanted, dict(enumerate(number)), max(number)).items():
            told.setdefault(i, set()).add((stop.row, stop.column))
    assert first is not None
    single = {i: next(iter(cells)) for i, cells in told.items() if len(cells) == 1}
    claims = list(single.values())
    return first, {i: c for i, c in single.items() if claims.count(c) == 1}


def _standing(
    source: FrameSource,
    frames: Sequence[Frame],
    solved: Solved,
    tied: Sequence[Camera],
    placed: PlainFrames,
    cameras: Sequence[Camera],
    step: float,
) -> list[int]:
    """Which of the frames placed may stay: sure enough, and not against the pixels of what they overlap."""
    camera_of = dict([*zip(solved.frames, tied, strict=True), *zip(placed.frames, cameras, strict=True)])
    lights = {}
    structures = {}
    near: dict[int, list[int]] = {i: [] for i in camera_of}
    every = sorted(camera_of)
    for a, b in overlapping_pairs(every, [camera_of[i] for i in every], least=_LEAST_OVERLAP):
        near[a].append(b)
        near[b].append(a)
    sigma = {
        i: math.sqrt(float(np.trace(placed.covariance[k, :, k])) / 3.0) for k, i in enumerate(placed.frames)
    }
    in_picture = set(solved.frames)
    waiting = sorted(placed.frames, key=lambda i: (sigma[i], i))
    loose = {i for i, drifts in zip(placed.frames, placed.drifting, strict=True) if drifts}
    stay: list[int] = []
    moved = True
    while moved:  # from the tied frames outwards
        moved = False
        for i in list(waiting):
            beside = [j for j in near[i] if j in in_picture]
            if i in loose:  # it belongs to the block, whatever has moved meanwhile
                waiting.remove(i)
                moved = True
                in_picture.add(i)
                stay.append(i)
                break
            if not beside:
                continue
            waiting.remove(i)
            moved = True
            camera = camera_of[i]
            overlap = 2.0 * math.atan(camera.width / 2.0 / camera.focal_px) - abs(step)
            if sigma[i] > _SIGMA_OF_OVERLAP * overlap:
                continue
            for j in (i, *beside):
                if j not in lights:
                    lights[j], structures[j] = light(source, j, frames[j]), structure(source, j)
            if any(light_agrees(lights[i], lights[j], camera, camera_of[j]) is False for j in beside):
                continue
            verdicts = {
                structure_verdict(
                    structures[i],
                    structures[j],
                    camera,
                    camera_of[j],
                    camera.focal_px * math.hypot(sigma[i], sigma.get(j, 0.0)),
                )
                for j in beside
                if j not in loose
            }
            if "differs" in verdicts and "agrees" not in verdicts:
                continue
            in_picture.add(i)
            stay.append(i)
            break
    at = {i: k for k, i in enumerate(placed.frames)}
    return sorted(at[i] for i in stay)
