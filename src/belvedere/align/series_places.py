"""Which place in the grid every frame of a series has, by the order shot and by where the frames looked."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.rows import rows_and_columns
from belvedere.align.turn_grid import head_axes
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import yaw_pitch_roll

_NEAR_PLACE = 0.35  # of a step, by which a frame may miss its column; common practice, no published source
_STEEP = np.radians(70.0)  # rows that look higher than this have no plain steps


@dataclass(frozen=True, slots=True)
class SeriesPlaces:
    """A block's frames in the grid of its shooting.

    Parameters
    ----------
    head : ndarray of shape (3, 3)
        The head's axes, as rows, in the block's world.
    place : dict
        Frame index to (row, column); columns count steps to the right.
    way : dict
        Row to +1 where it was shot to the right, -1 to the left.
    """

    head: NDArray[np.float64]
    place: dict[int, tuple[int, int]]
    way: dict[int, int]


def shooting_order(names: Sequence[str]) -> list[int]:
    """A number for every frame that counts exposures: by the files' counter where it tells, else in order.

    The counter is believed if the numbers at the ends of the names never fall, and most rise by one; frames
    that are not there then leave a gap in the numbers.
    """
    plain = list(range(len(names)))
    found = [re.search(r"(\d+)\D*$", name.rsplit(".", 1)[0]) for name in names]
    if len(names) < 2 or any(m is None for m in found):
        return plain
    heads = {name[: m.start(1)] for name, m in zip(names, found, strict=True) if m}
    number = [int(m.group(1)) for m in found if m]
    rises = np.diff(number)
    if len(heads) > 1 or rises.min() < 1 or np.count_nonzero(rises == 1) < 0.7 * len(rises):
        return plain
    return [k - number[0] for k in number]


def place_block(
    frames: Sequence[int], cameras: Sequence[Camera], order: Sequence[int]
) -> SeriesPlaces | None:
    """Rows and columns of a block shot row by row in even steps; None where it was not.

    Every row must have two frames.

    Parameters
    ----------
    frames, cameras : sequences
        The block, in one world.
    order : sequence of int
        Of all frames of the series, see `shooting_order`.
    """
    rotations = [c.rotation for c in cameras]
    head = head_axes(estimate_pan_axis(cameras).down, rotations)
    turned = [c.with_rotation(c.rotation @ head.T) for c in cameras]
    angles = np.array([yaw_pitch_roll(c.rotation.T) for c in turned])
    if np.abs(angles[:, 1]).max() > _STEEP:
        return None
    row_of = np.array([row for row, _ in rows_and_columns(turned)])
    number = np.array([order[i] for i in frames])
    yaw = np.zeros(len(frames))
    rises: dict[int, NDArray[np.float64]] = {}
    members: dict[int, NDArray[np.int64]] = {}
    for row in range(int(row_of.max()) + 1):
        own = np.flatnonzero(row_of == row)
        own = own[np.argsort(number[own], kind="stable")]
        between = (number > number[own[0]]) & (number < number[own[-1]]) & (row_of != row)
        if between.any():
            return None  # not shot row by row
        members[row] = own
        yaw[own] = np.unwrap(angles[own, 0])
        if len(own) > 1:
            rises[row] = np.diff(yaw[own]) / np.diff(number[own])
    if len(rises) < len(members):
        return None  # a frame alone in its row has no steps to go by
    step = float(np.median(np.abs(np.concatenate(list(rises.values())))))
    place: dict[int, tuple[int, int]] = {}
    way: dict[int, int] = {}
    begin: float | None = None
    for row, rise in rises.items():
        way[row] = 1 if float(np.median(rise)) > 0.0 else -1
        own = members[row]
        column = way[row] * (number[own] - number[own[0]])
        start = float(np.median(yaw[own] - step * column))
        begin = start if begin is None else begin
        if np.abs(yaw[own] - step * column - start).max() > _NEAR_PLACE * step * max(1.0, len(own) / 12.0):
            return None
        # rows begin anywhere round the turn; counted from where the first one does
        lap = (start - begin + np.pi) % (2.0 * np.pi) - np.pi
        column = column + round(lap / step)
        for k, c in zip(own.tolist(), column.tolist(), strict=True):
            place[frames[k]] = (row, c)
    return SeriesPlaces(head, place, way)


def places_by_order(
    known: SeriesPlaces, block: Sequence[int], order: Sequence[int], steps: int | None = None
) -> tuple[dict[int, tuple[int, int]], int] | None:
    """The only places that the order shot leaves to the frames of another block.

    Parameters
    ----------
    known : SeriesPlaces
        Of what is joined already.
    block : sequence of int
        Frames of the other block, sorted.
    steps : int or None
        How many steps the block is taken to stand from its neighbour; None: as many as exposures.

    Returns
    -------
    places, steps
        (row, column) of every frame, and the steps from the neighbour in the order shot to the block;
        None where there is no place for it, or more than one.
    """
    near = sorted(known.place)
    if any(block[0] < i < block[-1] for i in near):
        return None  # shot in the midst of it
    before = [i for i in near if i < block[0]][-1:]
    after = [i for i in near if i > block[-1]][:1]
    rows = {row for row, _ in known.place.values()}
    taken = set(known.place.values())
    columns = [c for _, c in taken]
    found: list[tuple[dict[int, tuple[int, int]], int]] = []
    for side, end in ((before, block[0]), (after, block[-1])):
        for near_by in side:
            row, column = known.place[near_by]
            exposures = abs(order[end] - order[near_by])
            shift = (steps or exposures) - exposures
            sign = known.way[row] * (1 if near_by < end else -1)
            places = {i: (row, column + sign * (abs(order[i] - order[near_by]) + shift)) for i in block}
            own = list(places.values())
            outside = len(rows) > 1 and not all(min(columns) <= c <= max(columns) for _, c in own)
            if not outside and not taken & set(own) and places not in [p for p, _ in found]:
                found.append((places, steps or exposures))
    return found[0] if len(found) == 1 else None
