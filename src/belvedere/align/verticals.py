"""Plumb lines of buildings: straight edges whose planes through the viewer share one direction, gravity's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import grey_copy
from belvedere.align.level_evidence import Evidence, moved, step_to, tangent
from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

# Common practice, no published source; checked on simulated and real sets.
_PIXELS = 400_000  # of the copy in which segments are detected
_SHORTEST = 25.0  # px of the copy
_TILTED = np.radians(20.0)  # from the rough vertical, in the frame
_END = 0.7  # px of the copy to which a segment's end is across it, one sigma
_UPRIGHT = np.radians(0.15)  # to which a building's edge is plumb, one sigma
_FLOOR = np.radians(0.1)  # of the whole, one sigma
_OFF_AXIS = np.radians(6.0)  # how far from the pan axis plumb lines are believed, beside its own sigma
_NEAR = np.radians(0.6)  # agreement with the common direction
_PLACE = np.radians(1.5)  # segments closer in yaw are one place
_LEAST_PLACES = 8
_PEAK = 4.0  # how much denser segments must be at the common direction than beside it
_TRIES = 1500
_MOST = 4000  # segments, the longest


@dataclass(frozen=True, slots=True)
class Segments:
    """Straight edges.

    Parameters
    ----------
    normals : ndarray of shape (n, 3), float64
        Of the plane through the viewer, unit, world.
    middles : ndarray of shape (n, 3), float64
        Direction of the middle, unit, world.
    sigma : ndarray of shape (n,), float64
        Of its angle in the frame, rad.
    """

    normals: NDArray[np.float64]
    middles: NDArray[np.float64]
    sigma: NDArray[np.float64]

    def leaning(self, down: NDArray[np.float64]) -> NDArray[np.float64]:
        """Angle in rad of every segment against the plumb line through its middle."""
        across = np.sqrt(np.maximum(1.0 - (self.middles @ down) ** 2, 0.01))
        return np.asarray(np.arcsin(np.clip(self.normals @ down / across, -1.0, 1.0)))

    def part(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> Segments:
        """Some of the segments."""
        return Segments(self.normals[which], self.middles[which], self.sigma[which])


def find_verticals(
    source: FrameSource,
    used: Sequence[int],
    cameras: Sequence[Camera],
    rough: Evidence,
    run: Mapper = map,
) -> Evidence | None:
    """Find plumb lines and the level they give, or None.

    Segments within 20 degrees of the rough vertical vote for a common direction. It is believed only if many
    places agree on it, far more sharply than chance or tree trunks would: segments must crowd at it.

    Parameters
    ----------
    used : sequence of int
        Frame indices in `source`, one a camera.
    rough : Evidence
        The pan axis: where to look, and how far off it may be.

    References
    ----------
    R. Grompone von Gioi, J. Jakubowicz, J.-M. Morel, G. Randall, LSD: a fast line segment detector with a
    false detection control, IEEE PAMI 32(4), 2010.
    """
    found = list(run(lambda k: find_segments(source, used[k], cameras[k], rough.down), range(len(cameras))))
    return level_of_segments(
        Segments(
            np.concatenate([s.normals for s in found]),
            np.concatenate([s.middles for s in found]),
            np.concatenate([s.sigma for s in found]),
        ),
        rough,
    )


def find_segments(source: FrameSource, frame: int, camera: Camera, down: NDArray[np.float64]) -> Segments:
    """Straight edges of one frame that are upright, roughly."""
    grey, pixel = grey_copy(source, frame, _PIXELS)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 1.0).detect(grey)[0]
    ends = np.zeros((0, 4)) if lines is None else np.asarray(lines, dtype=np.float64).reshape(-1, 4)
    length = np.hypot(ends[:, 2] - ends[:, 0], ends[:, 3] - ends[:, 1])
    ends, length = ends[length >= _SHORTEST], length[length >= _SHORTEST]
    ends = (ends + 0.5) * pixel - 0.5
    a, b = camera.rays(ends[:, :2]), camera.rays(ends[:, 2:])
    normals, middles = np.cross(a, b), a + b
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    middles /= np.linalg.norm(middles, axis=1, keepdims=True)
    out = Segments(normals, middles, np.hypot(2.0**0.5 * _END / length, _UPRIGHT))
    upright = (np.abs(out.leaning(down)) < _TILTED) & (np.abs(middles @ down) < np.sin(np.radians(75.0)))
    return out.part(upright)


def level_of_segments(segments: Segments, rough: Evidence) -> Evidence | None:
    """The direction that upright segments share, or None if they do not crowd at one."""
    order = np.argsort(segments.sigma, kind="stable")[:_MOST]
    segments = segments.part(order)
    limit = _OFF_AXIS + 2.0 * min(rough.sigma, np.radians(5.0))
    down = _vote(segments, rough.down, limit)
    if down is None:
        return None
    for _ in range(3):
        near = segments.part(np.abs(segments.leaning(down)) < 2.0 * segments.sigma + 0.3 * _NEAR)
        if len(near.sigma) < _LEAST_PLACES:
            return None
        down, known = _fit(near, down)
    if np.linalg.norm(step_to(rough.down, down)) > limit:
        return None
    near = segments.part(np.abs(segments.leaning(down)) < _NEAR)
    places = _places(near, down)
    if places < _LEAST_PLACES or _crowding(segments, down) < _PEAK:
        return None
    t = tangent(down)
    # the edges of one place err together
    known = known * len(near.sigma) / places + _FLOOR**2 * np.eye(2)
    words = f"from upright lines of buildings at {places} places"
    return Evidence("verticals", down, t.T @ known @ t, words)


def _vote(segments: Segments, rough: NDArray[np.float64], limit: float) -> NDArray[np.float64] | None:
    """The common direction of two segments that most others agree with."""
    n = len(segments.sigma)
    if n < _LEAST_PLACES:
        return None
    rng = np.random.default_rng(0)
    sharp = max(_LEAST_PLACES, n // 2)  # two of the longer half
    a, b = rng.integers(0, sharp, (2, 4 * _TRIES))
    v = np.cross(segments.normals[a], segments.normals[b])
    size = np.linalg.norm(v, axis=1)
    v = v[size > np.sin(np.radians(4.0))] / size[size > np.sin(np.radians(4.0))][:, None]
    v *= np.where(v @ rough >= 0.0, 1.0, -1.0)[:, None]
    v = v[v @ rough > np.cos(limit)][:_TRIES]
    if not len(v):
        return None
    across = np.sqrt(np.maximum(1.0 - (segments.middles @ rough) ** 2, 0.01))
    scaled = segments.normals / (across * np.maximum(2.0 * segments.sigma, _NEAR))[:, None]
    trust = _UPRIGHT / segments.sigma
    score = np.concatenate(
        [np.maximum(1.0 - (part @ scaled.T) ** 2, 0.0) @ trust for part in np.array_split(v, 16) if len(part)]
    )
    return np.asarray(v[np.argmax(score)])


def _fit(segments: Segments, down: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Down and its covariance (2, 2) by Gauss-Newton with Huber's weights."""
    known = np.eye(2)
    for _ in range(4):
        t = tangent(down)
        across = np.sqrt(np.maximum(1.0 - (segments.middles @ down) ** 2, 0.01))
        residual = segments.leaning(down) / segments.sigma
        jacobian = segments.normals @ t.T / (across * segments.sigma)[:, None]
        weight = np.minimum(1.0, 1.5 / np.maximum(np.abs(residual), 1e-9))
        inverse = np.linalg.inv((jacobian * weight[:, None]).T @ jacobian + 1e-3 * np.eye(2))
        down = moved(down, -inverse @ ((jacobian * weight[:, None]).T @ residual))
        known = np.asarray(inverse * max(1.0, float(np.mean(weight * residual**2))), dtype=np.float64)
    return down, known


def _places(segments: Segments, down: NDArray[np.float64]) -> int:
    """How many different yaws segments stand at."""
    t = tangent(down)
    yaw = np.arctan2(segments.middles @ t[1], segments.middles @ t[0])
    return len(np.unique(np.floor(yaw / _PLACE)))


def _crowding(segments: Segments, down: NDArray[np.float64]) -> float:
    """Density of segments at the common direction over that between 1.5 and 6 degrees beside it."""
    long = segments.sigma < np.radians(1.2)
    off = np.abs(segments.leaning(down)[long])
    at = np.count_nonzero(off < _NEAR) / _NEAR
    low, high = np.radians(1.5), np.radians(6.0)
    beside = (np.count_nonzero((off > low) & (off < high)) + 1.0) / (high - low)
    return float(at / beside)
