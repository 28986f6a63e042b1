"""The photographer's word: points of the horizon in frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_evidence import Evidence, tangent
from belvedere.geometry.camera import Camera

HorizonPoint = tuple[str, float, float]
"""File name of a frame, u, v in px as displayed."""

_POINTED = 2.0  # px to which a person sets a point, one sigma; common practice, no published source
_FLOOR = np.radians(0.02)  # what is called the horizon may be off its level by as much, one sigma


def level_of_points(
    points: Sequence[HorizonPoint], names: Sequence[str], cameras: Sequence[Camera], rough: Evidence
) -> Evidence | None:
    """Gravity from points of the horizon, or None where fewer than two lie in the frames given.

    All points are directions across gravity; with more than two the sum of squares is least.

    Parameters
    ----------
    points : sequence of (file name, u, v)
        Points of frames that are not among `names` have no say.
    names : sequence of str
        File names of the frames, one a camera.
    rough : Evidence
        Tells down from up; its axis has no weight.
    """
    at = {name: k for k, name in enumerate(names)}
    said = [(at[name], u, v) for name, u, v in points if name in at]
    if len(said) < 2:
        return None
    rays = np.stack([cameras[k].rays((u, v)) for k, u, v in said])
    sigma = np.array([_POINTED / cameras[k].focal_px for k, _, _ in said])
    scaled = rays / sigma[:, None]
    down = np.linalg.eigh(scaled.T @ scaled)[1][:, 0]
    upright = np.stack([c.rotation[1] for c in cameras]).mean(axis=0) + rough.down
    down = down if down @ upright >= 0.0 else -down
    t = tangent(down)
    flat = scaled @ t.T
    residual = scaled @ down
    spare = max(len(said) - 2, 0)
    factor = (2.0 + float(residual @ residual)) / (2.0 + spare) if spare else 1.0
    known = _inverse(flat.T @ flat) * max(factor, 1.0) + _FLOOR**2 * np.eye(2)
    return Evidence("person", down, t.T @ known @ t, f"from {len(said)} points of the horizon set by hand")


def _inverse(information: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.linalg.inv(information + 1e-3 * np.eye(2)))
