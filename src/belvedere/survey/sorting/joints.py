"""Where two frames show the same: features matched, and verified under the camera model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.block import Lens
from belvedere.align.features import Features
from belvedere.align.lens_groups import group_frames, sensor_axes
from belvedere.align.links import Link
from belvedere.align.matching import gate, match
from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.align.pair_rotation import find_rotation
from belvedere.align.start import Mapper, Pair, Sights, learn_lenses
from belvedere.capture.frame import Frame
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import quaternion_from_matrix
from belvedere.survey.sorting.look import Look

_NEAR = 3  # frames this close in the sequence are always matched in full
_REACH = 150  # frames further apart in the sequence than this are not compared
_AT_ONCE = 32  # frames glanced at in one go: memory stays the same for any number
_GLANCE = 128  # features of a frame compared before a full match
_GLANCE_LEAST = 5  # of these that must be each other's best
_MATCHES_LEAST = 9
_TOLERANCE_PX = 3.5  # agreement of a match with a rotation, px of the small picture
# Rotations further apart than this part of the field are rivals. Much wider than where frames are aligned: a
# roll that a narrow overlap hardly tells is no rival where only overlap is asked for. No published source.
_DIFFERENT = 0.12
_BEYOND_RIVAL = 6.0  # agreeing matches beyond what the best rival has
_CELLS = 8  # a frame's parts across and down
_LEARN_PAIRS = 160  # neighbours from which a lens group is learnt
_NO_MATCHES = np.empty((0, 2), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Joint:
    """Two frames a < b that show the same part of the scene.

    Parameters
    ----------
    link : Link
        The verified rotation, and how many matches agree (the matches themselves are not kept).
    overlap : float
        Share of frame a that frame b sees too, 0 to 1.
    agreement : float
        Of the parts of the overlap that hold features, the share with a match that agrees, in the frame where
        it is less: low where something stands before the scene in one of them.
    """

    link: Link
    overlap: float
    agreement: float

    @property
    def a(self) -> int:
        return self.link.a

    @property
    def b(self) -> int:
        return self.link.b


@dataclass(frozen=True, slots=True)
class Optics:
    """The lens of every frame as the pictures give it.

    Parameters
    ----------
    lenses : tuple of Lens
        One a lens group.
    group_of : ndarray of shape (n,), int64
        Lens group of every frame.
    centres : ndarray of shape (n, 2)
        Centre of every frame as displayed, px.
    axes : ndarray of shape (n, 2, 2)
        Sensor offsets to displayed offsets.
    """

    lenses: tuple[Lens, ...]
    group_of: NDArray[np.int64]
    centres: NDArray[np.float64]
    axes: NDArray[np.float64]

    def camera(self, frame: int, rotation: NDArray[np.float64]) -> Camera:
        """The camera of a frame that looks along a rotation (world to camera)."""
        lens = self.lenses[self.group_of[frame]]
        centre = self.centres[frame]
        return Camera(
            width=round(2 * centre[0] + 1),
            height=round(2 * centre[1] + 1),
            focal_px=lens.focal_px,
            principal_point=(float(centre[0]), float(centre[1])),
            distortion=lens.distortion,
            rotation_wxyz=quaternion_from_matrix(rotation),
        )


def learn_optics(
    frames: Sequence[Frame], looks: Sequence[Look | None], neighbours: Sequence[Pair], run: Mapper
) -> Optics:
    """Learn every lens group's focal length from its tags and its neighbouring frames.

    Parameters
    ----------
    frames, looks
        Of the whole card.
    neighbours : sequence of pairs
        Frames that were shot one after the other.
    """
    groups = group_frames(frames)
    group_of = np.zeros(len(frames), dtype=np.int64)
    for g, group in enumerate(groups):
        group_of[list(group.frames)] = g
    centres = np.array([[(f.metadata.width - 1) / 2.0, (f.metadata.height - 1) / 2.0] for f in frames])
    axes = sensor_axes(frames) if frames else np.empty((0, 2, 2))
    points = tuple(_points_only(look) for look in looks)
    sights = Sights(points, centres.reshape(-1, 2), axes, group_of)
    wanted = []
    for g in range(len(groups)):
        own = [(i, j) for i, j in neighbours if group_of[i] == g and group_of[j] == g]
        wanted += own[:: max(1, -(-len(own) // _LEARN_PAIRS))]
    matches = dict(zip(wanted, run(lambda pair: _match(looks, pair), wanted), strict=True))
    lenses = tuple(s.lens for s in learn_lenses(sights, groups, matches))
    return Optics(lenses, group_of, centres, axes)


def pairs_to_try(
    order: Sequence[int], looks: Sequence[Look | None], run: Mapper, *, reach: int = _REACH
) -> list[Pair]:
    """Pairs of a stretch of frames that are worth a full match: near ones, and others by a glance.

    Parameters
    ----------
    order : sequence of int
        Frames in the order shot.
    looks : sequence of Look or None
        By frame; frames without a look are passed over.
    """
    seen = [i for i in order if looks[i] is not None]

    def partners(start: int) -> list[Pair]:
        """Of a few frames one after the other. Descriptors are unpacked for these and their reach alone."""
        end = min(start + _AT_ONCE, len(seen))
        few = [_few(looks[i]) for i in seen[start : end + reach]]
        out = []
        for k in range(start, end):
            for q in range(k + 1, min(k + 1 + reach, len(seen))):
                if q - k <= _NEAR or len(match(few[k - start], few[q - start])) >= _GLANCE_LEAST:
                    out.append((min(seen[k], seen[q]), max(seen[k], seen[q])))
        return out

    return [pair for found in run(partners, range(0, len(seen), _AT_ONCE)) for pair in found]


def find_joints(
    pairs: Sequence[Pair], looks: Sequence[Look | None], optics: Optics, run: Mapper
) -> list[Joint]:
    """The pairs that overlap, verified; in the order given."""
    found = run(lambda pair: find_joint(pair, looks, optics), pairs)
    return [joint for joint in found if joint is not None]


def find_joint(pair: Pair, looks: Sequence[Look | None], optics: Optics) -> Joint | None:
    """Match two frames and verify that one rotation explains the matches beyond chance; None if not."""
    matches = _match(looks, pair)
    if len(matches) < _MATCHES_LEAST:
        return None
    both = list(pair)
    sights = Sights(
        (_points_only(looks[pair[0]]), _points_only(looks[pair[1]])),
        optics.centres[both],
        optics.axes[both],
        optics.group_of[both],
    )
    lens_a, lens_b = (optics.lenses[g] for g in sights.group_of)
    focal = (lens_a.focal_px * lens_b.focal_px) ** 0.5
    pixel = max(f.pixel for f in sights.features)
    field = 2.0 * float(np.linalg.norm(sights.centres[0])) / focal
    rays_a, rays_b = sights.rays(0, matches[:, 0], lens_a), sights.rays(1, matches[:, 1], lens_b)
    link = find_rotation(rays_a, rays_b, _TOLERANCE_PX * pixel / focal, different=_DIFFERENT * field)
    if link is None:
        return None
    here = optics.camera(pair[0], np.eye(3))
    there = optics.camera(pair[1], link.rotation)
    inliers = int(np.count_nonzero(link.inliers))
    in_overlap = int(np.count_nonzero(link.inliers | there.project(rays_a)[1]))
    if not gate(inliers, in_overlap) or inliers * (1.0 - link.rival) < _BEYOND_RIVAL:
        return None
    agreeing = np.ones(inliers, dtype=bool)
    kept = Link(pair[0], pair[1], link.rotation, _NO_MATCHES, agreeing, link.rival)
    agreement = min(
        _agreement(sights.features[0].points, matches[link.inliers, 0], here, there),
        _agreement(sights.features[1].points, matches[link.inliers, 1], there, here),
    )
    return Joint(kept, overlap_fraction(here.rays(frame_grid(here)), there), agreement)


def _agreement(
    points: NDArray[np.float64], agreeing: NDArray[np.int64], camera: Camera, other: Camera
) -> float:
    """Share of the cells of a frame with two or more features in the overlap that hold one that agrees."""
    inside = other.project(camera.rays(points))[1]
    cell = np.floor(points / (camera.width, camera.height) * _CELLS).clip(0, _CELLS - 1).astype(np.int64)
    number = cell[:, 0] + _CELLS * cell[:, 1]
    filled = np.bincount(number[inside], minlength=_CELLS**2) >= 2
    found = np.bincount(number[agreeing], minlength=_CELLS**2) >= 1
    return float(np.count_nonzero(filled & found)) / max(1, int(np.count_nonzero(filled)))


def _match(looks: Sequence[Look | None], pair: Pair) -> NDArray[np.int64]:
    a, b = looks[pair[0]], looks[pair[1]]
    return _NO_MATCHES if a is None or b is None else match(a.features(), b.features())


def _few(look: Look | None) -> Features:
    if look is None:
        return _points_only(None)
    return Look(
        look.points[:_GLANCE], look.codes[:_GLANCE], look.pixel, look.enough, look.marker, look.brightness
    ).features()


def _points_only(look: Look | None) -> Features:
    """A look's positions as Features, without descriptors."""
    none = np.empty((0, 128), dtype=np.float32)
    if look is None:
        return Features(np.empty((0, 2)), none, np.empty(0, dtype=np.int64), 1.0)
    order = np.arange(len(look.points), dtype=np.int64)
    return Features(look.points.astype(np.float64), none, order, look.pixel)
