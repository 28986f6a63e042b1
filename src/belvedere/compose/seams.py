"""Which frame owns which part of the plate: the coarse labels, and the owner of every plate pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.compose.light import FrameLight
from belvedere.compose.seam_cost import Candidates, gather_candidates
from belvedere.compose.seam_cut import cut
from belvedere.compose.seam_owner import own_pixels
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

_STEP = 8
_MOST_NODES = 24_000_000  # beyond, the step doubles: bounds the memory of the cut to about 0.6 GB
_FEWEST_NODES = 300_000  # below, the step halves, so that small pictures have seams as fine as large ones


@dataclass(frozen=True, slots=True)
class SeamOptions:
    """How seams are cut.

    Parameters
    ----------
    noise : float
        Differences up to this never count, square root of scene light (1 at white); 0.012 is 0.035 EV there.
    """

    noise: float = 0.012


@dataclass(frozen=True, slots=True)
class Seams:
    """Who owns the plate, on a coarse grid anchored at plate pixel (0, 0).

    Parameters
    ----------
    step : int
        Plate px between nodes, a power of two; a function of the plate alone.
    labels : ndarray of int16, shape (rows, columns)
        Frame (index into the cameras) that owns plate pixel (step i, step j) at [j, i]; -1: no frame. Rows
        and columns are ceil((size - 1) / step) + 1, so that every pixel lies between nodes; on a plate that
        wraps there are width / step columns, and column 0 follows the last.
    crossed_fraction : float
        Share of the seams' length that runs through a significant difference, 0 to 1.
    """

    step: int
    labels: NDArray[np.int16]
    crossed_fraction: float = 0.0


def seam_step(plate: Plate) -> int:
    """Plate px between the nodes of the coarse grid: 8; more on giant plates, less on small ones."""
    step = _STEP
    while plate.width * plate.height > _MOST_NODES * step * step and not (
        plate.wraps and plate.width % (2 * step)
    ):
        step *= 2
    while step > 2 and plate.width * plate.height < _FEWEST_NODES * step * step:
        step //= 2
    return step


def grid_shape(plate: Plate, step: int) -> tuple[int, int]:
    """(rows, columns) of the coarse grid; see `Seams`."""
    columns = plate.width // step if plate.wraps else -(-(plate.width - 1) // step) + 1
    return -(-(plate.height - 1) // step) + 1, columns


def estimate_seams(
    source: FrameSource,
    cameras: Sequence[Camera],
    lights: Sequence[FrameLight],
    plate: Plate,
    options: SeamOptions | None = None,
    *,
    frames: Sequence[int] | None = None,
    masks: Sequence[NDArray[np.uint8] | None] | None = None,
) -> Seams:
    """Decide which frame owns every node of the coarse grid.

    Where frames differ significantly (things that moved, parallax), the strongest differences are kept
    together first, so that a thing goes whole to one frame that shows the whole place, and a seam that has
    to cross differences crosses the weakest: a maximum spanning forest cut relative to the frames that are
    possible, found by Kruskal's algorithm (J. Cousty, G. Bertrand, L. Najman, M. Couprie, Watershed Cuts:
    Minimum Spanning Forests and the Drop of Water Principle, IEEE PAMI 31(8), 2009, section 4). Elsewhere
    the seam is the line where two frames are equally far inside.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    cameras, lights : sequences
        Of the used frames.
    plate : Plate
        What is drawn on.
    options : SeamOptions
    frames : sequence of int or None
        Number in `source` of every camera; None: the same order.
    masks : sequence of ndarray (height, width) uint8 or None
        The photographer's word for a frame as displayed: 0 never (unless nothing else covers the place),
        255 prefer.

    Returns
    -------
    Seams
        Labels index `cameras`.
    """
    options = options or SeamOptions()
    step = seam_step(plate)
    shape = grid_shape(plate, step)
    numbers = list(range(len(cameras))) if frames is None else list(frames)
    found: Candidates = gather_candidates(source, numbers, cameras, lights, plate, step, shape, masks)
    labels, crossed = cut(found, plate.wraps, options.noise)
    return Seams(step, labels, crossed)


def owners(
    seams: Seams, plate: Plate, cameras: Sequence[Camera], x0: int, y0: int, width: int, height: int
) -> NDArray[np.int16]:
    """The frame that owns each plate pixel of a rectangle.

    The coarse labels are weighed bilinearly; the heaviest label wins whose frame covers the pixel with
    `seam_owner.MARGIN_PX` to spare. Where none does, the frame that has most room around the pixel. A pure
    function of position: the same for every tiling.

    Parameters
    ----------
    seams : Seams
    plate : Plate
    cameras : sequence of Camera
        Those the labels index.
    x0, y0, width, height : int
        The rectangle in plate px; columns count modulo the width on a plate that wraps.

    Returns
    -------
    ndarray of int16, shape (height, width)
        -1 exactly where no frame covers the pixel.
    """
    return own_pixels(seams.labels, seams.step, plate, cameras, x0, y0, width, height)
