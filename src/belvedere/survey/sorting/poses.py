"""From joints between shots to where every pose of a stretch looked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.links import Link, components, consistent, spanning_tree
from belvedere.survey.sorting.joints import Joint

_TOLERANCE = 0.05  # of the field: how far loops of joints may stay open
_LEAST_TURN = 0.05  # of the field: frames that turned less show one view, however often it was shot
_LEAST_STEP = 0.15  # of the median angle between poses shot one after the other: below it they are the same


@dataclass(frozen=True, slots=True)
class Connected:
    """Poses that hang together by overlap.

    Parameters
    ----------
    poses : tuple of int
        Indices of poses, in the order shot.
    rotations : ndarray of shape (n, 3, 3)
        World to camera, in a world of its own.
    step : float
        Typical angle in rad between poses shot one after the other; at most the field.
    weakest : float
        Strength of the weakest joint that is needed to hang them together.
    """

    poses: tuple[int, ...]
    rotations: NDArray[np.float64]
    step: float
    weakest: float


def link_poses(poses: Sequence[tuple[int, ...]], joints: Sequence[Joint]) -> list[Link]:
    """The strongest link between any exposures of two poses, by indices of poses, lower first."""
    pose_of = {frame: k for k, pose in enumerate(poses) for frame in pose}
    best: dict[tuple[int, int], Link] = {}
    for joint in joints:
        p, q = pose_of.get(joint.a), pose_of.get(joint.b)
        if p is None or q is None or p == q:
            continue
        link = joint.link
        turned = (
            replace(link, a=p, b=q) if p < q else replace(link, a=q, b=p, rotation=link.rotation.T.copy())
        )
        known = best.get((turned.a, turned.b))
        if known is None or turned.strength > known.strength:
            best[turned.a, turned.b] = turned
    return [best[key] for key in sorted(best)]


def connect(count: int, links: Sequence[Link], field: float) -> list[Connected]:
    """Parts of two or more poses that hang together, in the order of their first poses.

    Parameters
    ----------
    count : int
        How many poses there are.
    links : sequence of Link
        By indices of poses.
    field : float
        Angle of view across the frames' short side, rad.
    """
    out = []
    for part in sorted((sorted(c) for c in components(count, links) if len(c) > 1), key=lambda c: c[0]):
        local = {p: k for k, p in enumerate(part)}
        own = [replace(v, a=local[v.a], b=local[v.b]) for v in links if v.a in local and v.b in local]
        rotations, _, _ = consistent(len(part), own, tolerance=_TOLERANCE * field)
        step = min(max(typical_step(rotations), _LEAST_TURN * field), field)
        out.append(Connected(tuple(part), rotations, step, _weakest(len(part), own)))
    return out


def typical_step(rotations: NDArray[np.float64]) -> float:
    """Median angle in rad between sight lines of poses in the order shot, repeated poses left out."""
    angles = angles_between(rotations[:-1], rotations[1:])
    if len(angles) == 0:
        return 0.0
    moved = angles[angles > _LEAST_STEP * np.max(angles)]
    if len(moved) == 0:
        return 0.0
    return float(np.median(moved[moved > _LEAST_STEP * np.median(moved)]))


def angles_between(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles in rad between the sight lines of rotations (..., 3, 3), world to camera."""
    return np.asarray(np.arccos(np.clip(np.sum(a[..., 2, :] * b[..., 2, :], axis=-1), -1.0, 1.0)))


def _weakest(count: int, links: Sequence[Link]) -> float:
    """Strength of the weakest link of the strongest tree."""
    return min(v.strength for v in spanning_tree(count, links))
