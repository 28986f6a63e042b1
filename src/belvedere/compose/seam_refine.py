"""Seams of a large plate, cut on a coarse grid, cut again on the fine one in a band along them.

The coarse grid decides who owns what; the fine one where exactly the seam runs, and round which small
thing. Work goes square by square over the fine grid, in scan order: what earlier squares have decided
beside a square is fixed, and so is all that lies outside the band, so that a seam goes on where it
stopped and a thing that both squares touch goes to one frame. Memory is that of a few squares and one row
of them, whatever the plate's size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from belvedere.compose.blend import boxes_around
from belvedere.compose.seam_cost import KEPT, Candidates, Mapper
from belvedere.compose.seam_cut import FREE, count_crossed, cut

SQUARE = 512
"""Nodes along the side of a square: a multiple of seam_labels' tiles and of seam_cut's blocks."""

_HALO = 64  # nodes looked at around a square; a multiple of seam_cut's blocks
_REACH = 1.5  # half the band's width, in steps of the coarse grid
_AROUND = 3  # nodes around the band whose differences are looked at too

Box = tuple[int, int, int, int]
"""Nodes x0 <= x < x1, y0 <= y < y1 of the fine grid; columns may run beyond a grid that wraps."""


class Window(NamedTuple):
    """A square with its surroundings.

    Parameters
    ----------
    square, box : Box
    start : ndarray of int16
        Labels of the coarse seam at the box's nodes.
    band : ndarray of bool
        Where the seam may run.
    found : Candidates
        In the band and just around it.
    """

    square: Box
    box: Box
    start: NDArray[np.int16]
    band: NDArray[np.bool_]
    found: Candidates


def refine(
    shape: tuple[int, int],
    wraps: bool,
    finer: int,
    start: Callable[[Box], NDArray[np.int16]],
    gather: Callable[[Box], Candidates],
    noise: float,
    run: Mapper = map,
) -> Iterator[tuple[NDArray[np.int16], tuple[int, int]]]:
    """Cut the fine grid along a coarse seam.

    Parameters
    ----------
    shape : tuple of 2 int
        Rows and columns of the fine grid.
    wraps : bool
        Whether column 0 follows the last column.
    finer : int
        Steps of the fine grid in one of the coarse.
    start : callable
        Labels of the coarse seam at nodes of the fine grid.
    gather : callable
        Candidates there.
    noise : float
        See `seam_cut.cut`.
    run : Mapper
        Prepares the squares; the result does not depend on it.

    Yields
    ------
    labels : ndarray of int16 (at most SQUARE, columns)
        Of one row of squares.
    lengths : tuple of 2 int
        See `seam_cut.count_crossed`.
    """
    rows, columns = shape
    squares = [
        (x, y, min(x + SQUARE, columns), min(y + SQUARE, rows))
        for y in range(0, rows, SQUARE)
        for x in range(0, columns, SQUARE)
    ]

    def prepare(square: Box) -> Window:
        return _window(square, shape, wraps, max(1, round(_REACH * finer)), start, gather)

    above = np.full((_HALO, columns), FREE, np.int16)
    row = np.full((SQUARE, columns), FREE, np.int16)
    seam = crossed = 0
    for window in run(prepare, squares):
        x0, y0, x1, y1 = window.square
        labels, weights = _cut_window(window, above, row, noise)
        inside = (
            slice(y0 - window.box[1], y1 - window.box[1]),
            slice(x0 - window.box[0], x1 - window.box[0]),
        )
        row[: y1 - y0, x0:x1] = labels[inside]
        lengths = count_crossed(np.ascontiguousarray(labels[inside]), weights[inside].copy(), False)
        seam, crossed = seam + lengths[0], crossed + lengths[1]
        if x1 == columns:
            yield row[: y1 - y0].copy(), (seam, crossed)
            above[:] = row[y1 - y0 - _HALO : y1 - y0] if y1 - y0 >= _HALO else FREE
            row[:] = FREE
            seam = crossed = 0


def _window(
    square: Box,
    shape: tuple[int, int],
    wraps: bool,
    reach: int,
    start: Callable[[Box], NDArray[np.int16]],
    gather: Callable[[Box], Candidates],
) -> Window:
    """Everything about a square that does not depend on the others."""
    x0, y0, x1, y1 = square
    box = (x0 - _HALO, max(y0 - _HALO, 0), x1 + _HALO, min(y1 + _HALO, shape[0]))
    if not wraps:
        box = (max(box[0], 0), box[1], min(box[2], shape[1]), box[3])
    # the band is a function of position alone, so the seam is looked for beyond the box too
    wide = (box[0] - reach, box[1] - reach, box[2] + reach, box[3] + reach)
    around = start(wide)
    at = (slice(reach, -reach), slice(reach, -reach))
    band = _grown(_on_seam(around), reach)[at]
    labels = np.ascontiguousarray(around[at])
    near = _grown(band, _AROUND)
    found = Candidates(
        np.full((*labels.shape, KEPT), -1, np.int16),
        np.zeros((*labels.shape, KEPT), np.uint8),
        np.zeros(labels.shape, np.uint16),
        np.zeros(labels.shape, np.uint8),
    )
    for part in boxes_around(near):
        here = (slice(part.y0, part.y1), slice(part.x0, part.x1))
        own = gather((box[0] + part.x0, box[1] + part.y0, box[0] + part.x1, box[1] + part.y1))
        found.frames[here], found.merits[here] = own.frames, own.merits
        found.disagreement[here], found.slope[here] = own.disagreement, own.slope
    return Window(square, box, labels, band, found)


def _cut_window(
    window: Window, above: NDArray[np.int16], row: NDArray[np.int16], noise: float
) -> tuple[NDArray[np.int16], NDArray[np.uint8]]:
    """Labels and weights of a window, given what is decided above it and in its own row of squares."""
    x0, y0, x1, y1 = window.box
    top = window.square[1]
    across = np.arange(x0, x1) % row.shape[1]
    decided = np.full(window.start.shape, FREE, np.int16)
    if top > y0:
        decided[: top - y0] = above[above.shape[0] - (top - y0) :, across]
    below = min(y1 - top, row.shape[0])
    decided[top - y0 : top - y0 + below] = row[:below, across]
    fixed = np.where(decided != FREE, decided, np.where(window.band, FREE, window.start))
    if not (fixed == FREE).any():
        return fixed, np.zeros(fixed.shape, np.uint8)
    return cut(window.found, False, noise, fixed)


def _on_seam(labels: NDArray[np.int16]) -> NDArray[np.bool_]:
    """Nodes beside one of another frame."""
    out = np.zeros(labels.shape, np.bool_)
    for a, b in (((slice(None), slice(1, None)), (slice(None), slice(-1))), (slice(1, None), slice(-1))):
        differ = (labels[a] != labels[b]) & (labels[a] >= 0) & (labels[b] >= 0)
        out[a] |= differ
        out[b] |= differ
    return out


def _grown(mask: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """All within a square of `reach` nodes around a True."""
    return np.asarray(ndimage.maximum_filter(mask.view(np.uint8), 2 * reach + 1, mode="constant")).view(bool)
