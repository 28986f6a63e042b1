"""How much of the world a plate shows, as its report tells it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from belvedere.compose.report import PlateReport
from belvedere.geometry.plate import Plate


def field_of_view_deg(plate: PlateReport | Plate) -> tuple[float, float]:
    """How much of the world the plate shows across its middle row and down its middle column, degrees."""
    s, y0 = plate.pixels_per_radian, plate.centre[1]
    top, bottom = (-0.5 - y0) / s, (plate.height - 0.5 - y0) / s
    turn = min(plate.width / s, 2.0 * math.pi)
    match plate.projection:
        case "equirectangular":
            wide, high = turn, bottom - top
        case "cylindrical":
            wide, high = turn, math.atan(bottom) - math.atan(top)
        case "mercator":
            wide, high = turn, math.atan(math.sinh(bottom)) - math.atan(math.sinh(top))
        case _:
            x, y = (plate.width - 1) / 2, (plate.height - 1) / 2
            wide = _sweep(plate, [(t, y) for t in np.linspace(-0.5, plate.width - 0.5, 257)])
            high = _sweep(plate, [(x, t) for t in np.linspace(-0.5, plate.height - 0.5, 257)])
    return math.degrees(wide), math.degrees(high)


def _sweep(plate: PlateReport | Plate, points: Sequence[tuple[float, float]]) -> float:
    """Angle from the first to the middle and on to the last direction seen along `points`, radians."""
    sheet = Plate(
        plate.projection,
        plate.width,
        plate.height,
        plate.pixels_per_radian,
        plate.centre,
        d=plate.d if plate.d is not None else 1.0,
    )
    seen = sheet.directions(np.array(points))
    seen = seen[np.isfinite(seen).all(axis=-1)]
    if len(seen) == 0:
        return 0.0
    first, middle, last = seen[0], seen[len(seen) // 2], seen[-1]
    return sum(math.acos(min(1.0, max(-1.0, float(a @ b)))) for a, b in ((first, middle), (middle, last)))
