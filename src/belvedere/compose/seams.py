"""Which frame owns which part of the plate: the coarse labels, and the owner of every plate pixel."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.compose.light import FrameLight
from belvedere.compose.seam_cost import Candidates, Mapper, gather_candidates
from belvedere.compose.seam_cut import count_crossed, cut
from belvedere.compose.seam_labels import pack, unpack
from belvedere.compose.seam_owner import own_pixels
from belvedere.compose.seam_refine import Box, refine
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

_STEP = 8
_MOST_NODES = 4_000_000  # that are cut as a whole: bounds the memory of the cut to about 0.2 GB
_MOST_FINER = 16  # fine steps in a coarse one; beyond, the fine step doubles too (65 gigapixels)
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
    """Who owns the plate, on a grid anchored at plate pixel (0, 0).

    Parameters
    ----------
    step : int
        Plate px between nodes, a power of two; a function of the plate alone.
    shape : tuple of 2 int
        Rows and columns: ceil((size - 1) / step) + 1, so that every pixel lies between nodes; on a plate that
        wraps there are width / step columns, and column 0 follows the last.
    tiles : ndarray of uint8
        The labels, packed: see `seam_labels`. A label is the frame (index into the cameras) that owns plate
        pixel (step i, step j), -1: none.
    ends : ndarray of int64
        Where in `tiles` each tile ends.
    owned_fraction : float
        Share of the nodes with an owner, 0 to 1.
    crossed_fraction : float
        Share of the seams' length that runs through a significant difference, 0 to 1.
    """

    step: int
    shape: tuple[int, int]
    tiles: NDArray[np.uint8]
    ends: NDArray[np.int64]
    owned_fraction: float
    crossed_fraction: float = 0.0

    def nodes(self, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> NDArray[np.int16]:
        """Labels at the crossings of rows and columns of the grid."""
        return unpack(self.tiles, self.ends, self.shape, rows, columns)

    @property
    def labels(self) -> NDArray[np.int16]:
        """All labels (rows, columns); for plates that are not too large."""
        return self.nodes(np.arange(self.shape[0]), np.arange(self.shape[1]))


def seams_of(step: int, bands: Iterable[NDArray[np.int16]], crossed_fraction: float = 0.0) -> Seams:
    """Pack labels that come in bands of rows, each but the last a multiple of `seam_labels.SIDE` high."""
    tiles: list[bytes] = []
    rows = columns = owned = 0
    for band in bands:
        tiles += pack(band)
        rows, columns = rows + band.shape[0], band.shape[1]
        owned += int(np.count_nonzero(band >= 0))
    return Seams(
        step,
        (rows, columns),
        np.frombuffer(b"".join(tiles), np.uint8),
        np.cumsum([len(tile) for tile in tiles], dtype=np.int64),
        owned / max(rows * columns, 1),
        crossed_fraction,
    )


def seam_steps(plate: Plate) -> tuple[int, int]:
    """Plate px between the nodes of the grid that is cut as a whole, and of the fine one.

    Both 8; the first more on large plates, both less on small ones; powers of two.
    """
    coarse = _STEP
    while plate.width * plate.height > _MOST_NODES * coarse * coarse and not (
        plate.wraps and plate.width % (2 * coarse)
    ):
        coarse *= 2
    fine = max(min(coarse, _STEP), coarse // _MOST_FINER)
    while fine > 2 and plate.width * plate.height < _FEWEST_NODES * fine * fine:
        fine //= 2
    return (coarse if coarse > _STEP else fine), fine


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
    run: Mapper = map,
) -> Seams:
    """Decide which frame owns every node of the grid.

    Where frames differ significantly (things that moved, parallax), the strongest differences are kept
    together first, so that a thing goes whole to one frame that shows the whole place, and a seam that has
    to cross differences crosses the weakest: a maximum spanning forest cut relative to the frames that are
    possible, found by Kruskal's algorithm (J. Cousty, G. Bertrand, L. Najman, M. Couprie, Watershed Cuts:
    Minimum Spanning Forests and the Drop of Water Principle, IEEE PAMI 31(8), 2009, section 4). Elsewhere
    the seam is the line where two frames are equally far inside.

    A large plate is cut as a whole on a coarse grid, and then again on the fine one in a band along the seams
    (`seam_refine`), so that memory does not grow with the plate.

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
    run : Mapper
        Works on parts of the plate; the result does not depend on it.

    Returns
    -------
    Seams
        Labels index `cameras`.
    """
    options = options or SeamOptions()
    coarse, fine = seam_steps(plate)
    numbers = list(range(len(cameras))) if frames is None else list(frames)

    def gather(step: int, box: Box, run: Mapper = map) -> Candidates:
        return gather_candidates(source, numbers, cameras, lights, plate, step, box, masks, run)

    rows, columns = grid_shape(plate, coarse)
    labels, weights = cut(gather(coarse, (0, 0, columns, rows), run), plate.wraps, options.noise)
    seam, crossed = count_crossed(labels, weights, plate.wraps)
    if coarse == fine:
        return seams_of(fine, [labels], crossed / max(seam, 1))
    rough = seams_of(coarse, [labels])

    def start(box: Box) -> NDArray[np.int16]:
        return owners_on_grid(rough, plate, cameras, box, fine)

    lengths: list[tuple[int, int]] = []

    def bands() -> Iterator[NDArray[np.int16]]:
        shape = grid_shape(plate, fine)
        finer = coarse // fine
        for band, length in refine(
            shape, plate.wraps, finer, start, lambda box: gather(fine, box), options.noise, run
        ):
            lengths.append(length)
            yield band

    refined = seams_of(fine, bands())
    seam, crossed = (sum(length[k] for length in lengths) for k in (0, 1))
    return replace(refined, crossed_fraction=crossed / max(seam, 1))


def owners_on_grid(
    seams: Seams,
    plate: Plate,
    cameras: Sequence[Camera],
    box: Box,
    step: int,
    numbers: NDArray[np.int16] | None = None,
) -> NDArray[np.int16]:
    """The owners of every `step`-th plate pixel of a box (x0, y0, x1, y1), in such pixels.

    Asked of the plate and the seams divided by the step: a power of two changes no rounding, so the answers
    are those of the full plate, at the cost of the copy. `step` is at most that of the seams.
    """
    small = replace(
        plate,
        width=-(-plate.width // step),
        height=-(-plate.height // step),
        pixels_per_radian=plate.pixels_per_radian / step,
        centre=(plate.centre[0] / step, plate.centre[1] / step),
    )
    x0, y0, x1, y1 = box
    return owners(replace(seams, step=seams.step // step), small, cameras, x0, y0, x1 - x0, y1 - y0, numbers)


def owners(
    seams: Seams,
    plate: Plate,
    cameras: Sequence[Camera],
    x0: int,
    y0: int,
    width: int,
    height: int,
    numbers: NDArray[np.int16] | None = None,
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
    numbers : ndarray of int16 or None
        What stands for each camera in the answer; None: its index.

    Returns
    -------
    ndarray of int16, shape (height, width)
        -1 exactly where no frame covers the pixel.
    """
    return own_pixels(seams.nodes, seams.shape, seams.step, plate, cameras, x0, y0, width, height, numbers)
