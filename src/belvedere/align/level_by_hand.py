"""The photographer's word on the level: points of the horizon and plumb lines in frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_evidence import Evidence, tangent
from belvedere.align.said import HorizonPoint, PlumbLine
from belvedere.geometry.camera import Camera

_POINTED = 2.0  # px to which a person sets a point, one sigma; common practice, no published source
_FLOOR = np.radians(0.02)  # what is called the horizon may be off its level by as much, one sigma
_PLUMB = np.radians(0.15)  # to which what a person calls plumb is so, one sigma; as for buildings' edges
_OPEN = np.radians(5.0)  # a direction known worse than this is left to other evidence
_HELD = np.radians(5.0)  # how far an open direction may wander from the rough one, one sigma


def level_by_hand(
    points: Sequence[HorizonPoint],
    plumb: Sequence[PlumbLine],
    used: Sequence[int],
    cameras: Sequence[Camera],
    rough: Evidence,
) -> Evidence | None:
    """Gravity from what was set by hand, or None where it is too little: one point, and no plumb line.

    A point of the horizon is a direction across gravity. So is the normal of the plane through a plumb line
    and the viewer. The sum of squares is least. One plumb line alone says nothing of the lean along it.

    Parameters
    ----------
    points, plumb : sequences
        Those of frames that are not among `used` have no say.
    used : sequence of int
        Frames, one a camera.
    rough : Evidence
        Tells down from up, and stands where the marks leave a direction open.
    """
    at = {frame: k for k, frame in enumerate(used)}
    points = [p for p in points if p[0] in at]
    plumb = [p for p in plumb if p[0] in at]
    if len(points) < 2 and not plumb:
        return None
    rows = [cameras[at[frame]].rays((u, v)) for frame, u, v in points]
    sigma = [_POINTED / cameras[at[frame]].focal_px for frame, _, _ in points]
    for frame, u0, v0, u1, v1 in plumb:
        ends = cameras[at[frame]].rays([(u0, v0), (u1, v1)])
        normal = np.cross(ends[0], ends[1])
        length = float(np.linalg.norm(normal))  # sine of the angle between the ends
        rows.append(normal / length)
        pointed = 2.0**0.5 * _POINTED / cameras[at[frame]].focal_px / length
        sigma.append(float(np.hypot(pointed, _PLUMB)))
    scaled = np.stack(rows) / np.array(sigma)[:, None]
    down = _least(scaled, rough.down)
    upright = np.stack([c.rotation[1] for c in cameras]).mean(axis=0) + rough.down
    down = down if down @ upright >= 0.0 else -down
    t = tangent(down)
    flat = scaled @ t.T
    residual = scaled @ down
    spare = max(len(rows) - 2, 0)
    factor = (2.0 + float(residual @ residual)) / (2.0 + spare) if spare else 1.0
    known = _inverse(flat.T @ flat) * max(factor, 1.0) + _FLOOR**2 * np.eye(2)
    return Evidence("person", down, t.T @ known @ t, f"from {_counted(len(points), len(plumb))} set by hand")


def _least(scaled: NDArray[np.float64], rough: NDArray[np.float64]) -> NDArray[np.float64]:
    """The unit vector least along all rows, near `rough` in a direction that they leave open."""
    information = scaled.T @ scaled
    t = tangent(rough)
    values, vectors = np.linalg.eigh(t @ information @ t.T)
    open_ = vectors[:, values < 1.0 / _OPEN**2].T @ t
    return np.asarray(np.linalg.eigh(information + open_.T @ open_ / _HELD**2)[1][:, 0])


def _counted(points: int, plumb: int) -> str:
    said = []
    if points:
        said.append(f"{points} point{'s' if points > 1 else ''} of the horizon")
    if plumb:
        said.append(f"{plumb} plumb line{'s' if plumb > 1 else ''}")
    return " and ".join(said)


def _inverse(information: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.linalg.inv(information + 1e-3 * np.eye(2)))
