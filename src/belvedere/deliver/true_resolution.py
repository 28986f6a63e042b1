"""How many source pixels stand behind an inch of the print, across the picture.

A print of 300 pixels an inch holds no more than what was photographed. Where the plate stretches a frame,
as towards the edges of a wide rectilinear picture, several picture pixels share one frame pixel; where it
presses frames together, picture pixels are the limit. At every place the coarsest direction counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.report import Report
from belvedere.compose.report_geometry import camera_of, plate_of
from belvedere.deliver.paper_size import PrintLayout

_COLUMNS, _ROWS = 33, 17
_STEP = 0.5  # plate px to either side, for the derivative


@dataclass(frozen=True, eq=False)
class TrueResolution:
    """Source pixels per printed inch.

    Parameters
    ----------
    map : ndarray of shape (rows, columns), float64
        On a lattice over the picture, corner to corner; NaN where no frame looks.
    lowest, typical, highest : float
        Least, median and largest of it.
    lowest_at : tuple of 2 float
        Where it is lowest, shares of the picture's width and height from its top left.
    picture_ppi : float
        Picture pixels per printed inch, in the coarser direction.
    print_ppi : float
        Pixels per inch of the print.
    from_frames : bool
        Whether frames were counted. If not, the picture's own pixels were: then nothing is known of how many
        of them the frames had.
    """

    map: NDArray[np.float64]
    lowest: float
    typical: float
    highest: float
    lowest_at: tuple[float, float]
    picture_ppi: float
    print_ppi: float
    from_frames: bool

    @property
    def enlarges(self) -> bool:
        """Whether the print has more pixels than the picture."""
        return self.print_ppi > self.picture_ppi * 1.005


def true_resolution(layout: PrintLayout, width: int, height: int, report: Report | None) -> TrueResolution:
    """Count source pixels over the print of a picture of width x height px.

    Parameters
    ----------
    layout : PrintLayout
        The print.
    width, height : int
        The picture's size, px.
    report : Report or None
        How it was made; None: its own pixels are counted.
    """
    ppi = min(width / layout.picture.width, height / layout.picture.height) * layout.ppi
    share = None if report is None else frame_pixels_per_plate_pixel(report)
    counted = np.full((_ROWS, _COLUMNS), ppi) if share is None else ppi * np.minimum(share, 1.0)
    if np.isnan(counted).all():
        share, counted = None, np.full((_ROWS, _COLUMNS), ppi)
    row, column = np.unravel_index(int(np.nanargmin(counted)), counted.shape)
    return TrueResolution(
        map=counted,
        lowest=float(np.nanmin(counted)),
        typical=float(np.nanmedian(counted)),
        highest=float(np.nanmax(counted)),
        lowest_at=(float(column) / (_COLUMNS - 1), float(row) / (_ROWS - 1)),
        picture_ppi=ppi,
        print_ppi=layout.ppi,
        from_frames=share is not None,
    )


def frame_pixels_per_plate_pixel(report: Report) -> NDArray[np.float64] | None:
    """Frame pixels behind one plate pixel, in the direction where they are fewest: (rows, columns).

    The smaller singular value of the Jacobian d(u, v)/d(x, y), of the frame whose axis is nearest, for it is
    most often the one that shows there. NaN where no frame looks; None where the report has no cameras.

    References
    ----------
    J. P. Snyder, Map Projections - A Working Manual, USGS Professional Paper 1395 (1987), section 4: scale
    along the axes of the indicatrix.
    """
    frames = [(f, camera_of(f)) for f in report.frames if f.used]
    cameras = [camera for _, camera in frames if camera is not None]
    if not cameras:
        return None
    plate = plate_of(report)
    x, y = np.meshgrid(
        np.linspace(0.0, plate.width - 1.0, _COLUMNS), np.linspace(0.0, plate.height - 1.0, _ROWS)
    )
    places = np.stack([x, y], axis=-1)
    towards = plate.directions(places)
    sides = [
        plate.directions(places + offset)
        for offset in np.array([[_STEP, 0.0], [-_STEP, 0.0], [0.0, _STEP], [0.0, -_STEP]])
    ]
    nearest = np.full(x.shape, -np.inf)
    share = np.full(x.shape, np.nan)
    for camera in cameras:
        with np.errstate(invalid="ignore"):
            _, seen = camera.project(towards)
            along = towards @ camera.rotation[2]
        mine = seen & (along > nearest)
        if not mine.any():
            continue
        right, left, lower, upper = (camera.project(side[mine])[0] for side in sides)
        jacobian = np.stack([right - left, lower - upper], axis=-1) / (2.0 * _STEP)
        finite = np.isfinite(jacobian).all(axis=(-2, -1))
        least = np.full(finite.shape, np.nan)
        if finite.any():
            least[finite] = np.linalg.svd(jacobian[finite], compute_uv=False)[..., -1]
        share[mine] = least
        nearest[mine] = along[mine]
    return share
