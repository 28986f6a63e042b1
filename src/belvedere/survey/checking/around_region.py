"""Whether a place where two frames differ is a thing that moved, or stands near and shifts."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_match import transfer
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.overlap_difference import Region
from belvedere.survey.checking.overlap_field import OverlapField

Cause = Literal["moved", "near", "either"]

# px of the copy, and shares; no published source.
_RING = 48.0  # around a place, within which details speak for its surroundings
_STILL = 1.0  # a detail that lies so near to where the cameras have it keeps still
_SHIFTED = 2.0  # one that lies so far off is shifted
_LEAST = 4  # details that must speak
_AGREE = 0.8  # of them; and of the length of their shifts, what is left of their mean: one direction
_SIDES = 3  # of above, below, left and right on which details keep still, below among them


def cause_of(region: Region, field: OverlapField, a: Camera, b: Camera) -> Cause:
    """What made two frames differ at a place, by the details around it.

    Who walks by leaves its surroundings still, the ground at its feet too: "moved". Near things shift along
    one direction, that of the way from one entrance pupil to the other, and what is nearer shifts more, so
    that the ground below shifts as well: "near". Where the details around do not tell, as over water or
    snow, at the edge of a wall whose far side shows more, or at the rim of a frame: "either".
    """
    if not len(field.points_a):
        return "either"
    there, _, seen = transfer(field.points_a, a, b)
    shift = (field.points_b - there) / field.pixel
    inside, side = _around(region, field.points_a, _RING * field.pixel)
    told = inside & np.asarray(seen, dtype=bool) & np.isfinite(shift).all(axis=1)
    if np.count_nonzero(told) < _LEAST:
        return "either"
    length = np.linalg.norm(shift[told], axis=1)
    still = length < _STILL
    sides = {int(s) for s in side[told][still]} - {0}
    if float(np.mean(still)) >= _AGREE and len(sides) >= _SIDES and 2 in sides:
        return "moved"
    far = length > _SHIFTED
    mean = np.linalg.norm(np.mean(shift[told], axis=0))
    if float(np.mean(far)) >= _AGREE and float(mean) >= _AGREE * float(np.mean(length)):
        return "near"
    return "either"


def _around(
    region: Region, points: NDArray[np.float64], ring: float
) -> tuple[NDArray[np.bool_], NDArray[np.int64]]:
    """Which points lie within a ring around a region's box or in it, and on which side: 1 above, 2 below,
    3 left, 4 right, 0 in the box."""
    x0, y0, x1, y1 = region.box
    x, y = points[:, 0], points[:, 1]
    inside = (x > x0 - ring) & (x < x1 + ring) & (y > y0 - ring) & (y < y1 + ring)
    side = np.zeros(len(points), dtype=np.int64)
    side[x > x1] = 4
    side[x < x0] = 3
    side[y < y0] = 1
    side[y > y1] = 2
    return inside, side
