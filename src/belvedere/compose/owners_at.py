"""Owners of every plate pixel, or of every 2^k-th one, in the form that `blend.render_tile` asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.blend import OwnersAt
from belvedere.compose.seams import Seams, owners_on_grid
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate


def owners_at(
    seams: Seams, plate: Plate, cameras: Sequence[Camera], numbers: NDArray[np.int16] | None = None
) -> OwnersAt:
    """The seams as a function of place and step.

    Parameters
    ----------
    seams : Seams
        Labels index `cameras`.
    plate : Plate
    cameras : sequence of Camera
    numbers : ndarray of int16 or None
        What stands for each camera in the answer; None: its index.
    """

    def answer(x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        part = min(step, seams.step)
        skip = step // part  # beyond the seams' own grid every skip-th answer is taken
        left, top = x0 * skip, y0 * skip
        box = (left, top, left + (width - 1) * skip + 1, top + (height - 1) * skip + 1)
        return owners_on_grid(seams, plate, cameras, box, part, numbers)[::skip, ::skip]

    return answer
