"""Which stop of a shoot plan every frame was taken at, and where frames without tie points look by the plan.

Those with tie points stand where they look, the others by the order shot. The plan's rows, straightened into
even columns, then serve as the grid of the turn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from belvedere.align.order_cells import Cell
from belvedere.align.pan_axis import estimate_pan_axis
from belvedere.align.tied_grid import TiedGrid
from belvedere.align.turn_grid import angles_of, head_axes
from belvedere.align.turn_prediction import Predicted, predict
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import rotation_y
from belvedere.plan.match import match_plan
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.stops import Stop

_LEAST_MATCHED = (
    0.8  # of the tied frames that must stand at stops, each at its own, for the plan to be the set's
)
_LEAST_FRAMES = 4


@dataclass(frozen=True, slots=True)
class PlannedPlaces:
    """A block of tied frames at the stops of a plan.

    Parameters
    ----------
    plan : ShootPlan
    grid : TiedGrid
        Tied frames at (row, column) of the plan; its step is that of the plan's first row with one.
    stop_of : dict
        Frame index to stop, of the tied frames that stand at one.
    """

    plan: ShootPlan
    grid: TiedGrid
    stop_of: dict[int, Stop]

    def predict(
        self, rotations: NDArray[np.float64], cells: Sequence[Cell], wanted: Sequence[Cell]
    ) -> Predicted:
        """What `turn_prediction.predict` says of the cells wanted, in rows whose steps are the plan's.

        Parameters
        ----------
        rotations : ndarray of shape (n, 3, 3)
            World to camera, of tied frames.
        cells, wanted : sequences
            Their (row, column) in the plan, and those wanted.
        """
        turned = np.stack([r @ q.T for r, q in zip(rotations, map(self._to_even, cells), strict=True)])
        found = predict(turned, np.array(cells), np.array(wanted), self.grid.head, self.grid.step)
        back = [self._to_even(cell) for cell in wanted]
        spread = np.stack([q.T for q in back])
        return Predicted(
            np.stack([r @ q for r, q in zip(found.rotations, back, strict=True)]),
            np.einsum("mia,manb,njb->minj", spread, found.covariance, spread),
        )

    def _to_even(self, cell: Cell) -> NDArray[np.float64]:
        """The turn of the world about the pan axis that brings a stop of the plan to its even column."""
        row, column = cell
        off = self.grid.step * column - self.plan.rows[row].stops[column].yaw
        head = self.grid.head
        return np.asarray(head.T @ rotation_y(off) @ head)


def planned_places(
    plan: ShootPlan, frames: Sequence[int], cameras: Sequence[Camera], number: Mapping[int, int]
) -> PlannedPlaces | None:
    """Stand a block's frames at the stops of a plan; None where they do not fit it.

    Parameters
    ----------
    plan : ShootPlan
    frames, cameras : sequences
        The block, in one world.
    number : mapping
        Frame index to its place in the order shot.
    """
    if len(frames) < _LEAST_FRAMES:
        return None
    rotations = np.stack([c.rotation for c in cameras])
    head = head_axes(estimate_pan_axis(cameras).down, list(rotations))
    angles = angles_of(head @ np.swapaxes(rotations, 1, 2))
    match = match_plan(
        plan, {number[i]: (float(y), float(p)) for i, (y, p, _) in zip(frames, angles, strict=True)}
    )
    frame_of = {number[i]: i for i in frames}
    stops = {s.number: s for s in plan.stops()}
    stop_of = {frame_of[own[0]]: stops[at] for at, own in match.frames_at.items() if len(own) == 1}
    if len(stop_of) < max(_LEAST_FRAMES, _LEAST_MATCHED * len(frames)):
        return None
    steps = [row.step for row in plan.rows if row.step > 0.0]
    place = {i: (s.row, s.column) for i, s in stop_of.items()}
    return PlannedPlaces(plan, TiedGrid(head, steps[0] if steps else 1.0, place, ()), stop_of)


def stops_by_order(
    places: PlannedPlaces, wanted: Sequence[int], number: Mapping[int, int], last: int
) -> dict[int, Stop]:
    """Stops of frames without tie points, where the order shot leaves just one.

    Between two tied frames, where as many exposures as stops lie between them; before the first and after the
    last, where the whole series has as many exposures as the plan has stops and was shot in its order.

    Parameters
    ----------
    wanted : sequence of int
        Frame indices.
    number : mapping
        Of all frames, and of the wanted ones: places in the order shot, from 0.
    last : int
        The highest place in the order shot.
    """
    stops = {s.number: s for s in places.plan.stops()}
    tied = sorted((number[i], s.number) for i, s in places.stop_of.items())
    by_number: dict[int, int] = {}
    for (n, at), (following, then) in pairwise(tied):
        if then - at == following - n:
            by_number.update({n + j: at + j for j in range(1, following - n)})
    if last + 1 == len(stops) and all(at == n + 1 for n, at in tied):
        by_number.update({n: n + 1 for n in range(last + 1) if n < tied[0][0] or n > tied[-1][0]})
    taken = {at for _, at in tied}
    return {
        i: stops[by_number[number[i]]]
        for i in wanted
        if number[i] in by_number and by_number[number[i]] not in taken
    }
