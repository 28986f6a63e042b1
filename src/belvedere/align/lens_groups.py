"""Which frames share a lens, and where its solution starts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame, Metadata
from belvedere.capture.lens_shown import shown_by
from belvedere.geometry.orientation import display_axes
from belvedere.optics.focal import focal_candidates, focal_px_from_35mm
from belvedere.optics.lens_fit import RadialFit
from belvedere.optics.lens_list import Shown


@dataclass(frozen=True, slots=True)
class Group:
    """Frames of one body, lens, focal length and stored size.

    `tagged_px` holds the focal lengths its tags give, most trusted first, px; `start` where its distortion
    may start from.
    """

    frames: tuple[int, ...]
    metadata: Metadata
    tagged_px: tuple[float, ...]
    start: RadialFit | None = None

    @property
    def long_side(self) -> float:
        return float(max(self.metadata.stored_width, self.metadata.stored_height))


def group_frames(
    frames: Sequence[Frame],
    focal_35mm: float | None = None,
    lens_starts: Sequence[tuple[Shown, RadialFit]] = (),
) -> tuple[Group, ...]:
    """Sort frames into lens groups, in order of first appearance.

    Parameters
    ----------
    focal_35mm : float or None
        The photographer's word, as 35-mm equivalent in mm; replaces the tags of every group.
    lens_starts : sequence of (Shown, RadialFit)
        Where the distortion of some lenses may start from.
    """
    known = dict(lens_starts)
    members: dict[tuple[object, ...], list[int]] = {}
    for i, frame in enumerate(frames):
        m = frame.metadata
        key = (m.make, m.model, m.serial, m.lens, m.focal_mm, m.stored_width, m.stored_height)
        members.setdefault(key, []).append(i)
    groups = []
    for indices in members.values():
        metadata = frames[indices[0]].metadata
        start = known.get(shown_by(metadata, with_stop=False))
        groups.append(Group(tuple(indices), metadata, _tagged(metadata, focal_35mm), start))
    return tuple(groups)


def sensor_axes(frames: Sequence[Frame]) -> NDArray[np.float64]:
    """(n, 2, 2) matrices from offsets in stored axes to offsets as displayed."""
    return np.stack([display_axes(f.metadata.orientation) for f in frames])


def _tagged(metadata: Metadata, focal_35mm: float | None) -> tuple[float, ...]:
    width, height = metadata.stored_width, metadata.stored_height
    if focal_35mm is not None:
        return (focal_px_from_35mm(width, height, focal_35mm),)
    candidates = focal_candidates(
        width,
        height,
        focal_mm=metadata.focal_mm,
        focal_35mm=metadata.focal_35mm,
        focal_plane_px_per_mm=metadata.focal_plane_px_per_mm,
    )
    return tuple(c.focal_px for c in candidates if math.isfinite(c.sigma))
