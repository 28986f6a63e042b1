"""Owners of every plate pixel, or of every 2^k-th one, in the form that `blend.render_tile` asks for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.blend import OwnersAt
from belvedere.compose.seams import Seams, owners
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate


def owners_at(seams: Seams, plate: Plate, cameras: Sequence[Camera]) -> OwnersAt:
    """The seams as a function of place and step.

    A copy at every 2^k-th pixel is asked of the plate and the seams divided by 2^k: a power of two changes no
    rounding, so the answers are those of the full plate, at the cost of the copy.

    Parameters
    ----------
    seams : Seams
        Labels index `cameras`.
    plate : Plate
    cameras : sequence of Camera
    """

    def answer(x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        part = min(step, seams.step)
        skip = step // part  # beyond the seams' own grid every skip-th answer is taken
        small = replace(
            plate,
            width=-(-plate.width // part),
            height=-(-plate.height // part),
            pixels_per_radian=plate.pixels_per_radian / part,
            centre=(plate.centre[0] / part, plate.centre[1] / part),
        )
        coarse = replace(seams, step=seams.step // part)
        w, h = (width - 1) * skip + 1, (height - 1) * skip + 1
        return owners(coarse, small, cameras, x0 * skip, y0 * skip, w, h)[::skip, ::skip]

    return answer
