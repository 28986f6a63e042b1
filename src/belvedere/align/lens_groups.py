"""Which frames share a lens, and where its solution starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Frame, Metadata
from belvedere.geometry.orientation import display_axes

_FILM_DIAGONAL_MM = 43.2666  # of 36 x 24 mm, to which the 35-mm equivalent refers (CIPA DCG-001)


@dataclass(frozen=True, slots=True)
class Group:
    """Frames of one body, lens, focal length and stored size.

    `tagged_px` holds the focal lengths its tags give, most trusted first, px.
    """

    frames: tuple[int, ...]
    metadata: Metadata
    tagged_px: tuple[float, ...]

    @property
    def long_side(self) -> float:
        return float(max(self.metadata.stored_width, self.metadata.stored_height))


def group_frames(frames: Sequence[Frame], focal_35mm: float | None = None) -> tuple[Group, ...]:
    """Sort frames into lens groups, in order of first appearance.

    Parameters
    ----------
    focal_35mm : float or None
        The photographer's word, as 35-mm equivalent in mm; replaces the tags of every group.
    """
    members: dict[tuple[object, ...], list[int]] = {}
    for i, frame in enumerate(frames):
        m = frame.metadata
        key = (m.make, m.model, m.serial, m.lens, m.focal_mm, m.stored_width, m.stored_height)
        members.setdefault(key, []).append(i)
    groups = []
    for indices in members.values():
        metadata = frames[indices[0]].metadata
        groups.append(Group(tuple(indices), metadata, _tagged(metadata, focal_35mm)))
    return tuple(groups)


def sensor_axes(frames: Sequence[Frame]) -> NDArray[np.float64]:
    """(n, 2, 2) matrices from offsets in stored axes to offsets as displayed."""
    return np.stack([display_axes(f.metadata.orientation) for f in frames])


def _tagged(metadata: Metadata, focal_35mm: float | None) -> tuple[float, ...]:
    diagonal_px = float(np.hypot(metadata.stored_width, metadata.stored_height))
    if focal_35mm is not None:
        return (focal_35mm / _FILM_DIAGONAL_MM * diagonal_px,)
    out = []
    if metadata.focal_35mm:
        out.append(metadata.focal_35mm / _FILM_DIAGONAL_MM * diagonal_px)
    if metadata.focal_mm and metadata.focal_plane_px_per_mm:
        sensor_mm = metadata.stored_width / metadata.focal_plane_px_per_mm
        if 2.0 <= sensor_mm <= 120.0:
            out.append(metadata.focal_mm * metadata.focal_plane_px_per_mm)
    long_side = max(metadata.stored_width, metadata.stored_height)
    return tuple(f for f in out if 0.2 * long_side < f < 60.0 * long_side)
