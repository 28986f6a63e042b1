"""The alignment: where every frame looked, through which lens, how sure that is, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.camera import Camera

ON_REQUEST = "left out on request"
"""The reason of a frame that the photographer wanted left out: nothing has gone wrong."""

LevelSource = Literal["person", "tags", "sea-horizon", "verticals", "pan-axis"]


@dataclass(frozen=True, slots=True)
class LensGroup:
    """Interior orientation shared by the frames of one body, lens, focal length and stored size.

    Parameters
    ----------
    body, lens : str or None
        As tagged.
    focal_mm : float or None
        As tagged.
    stored_width, stored_height : int
        Sensor axes, px.
    focal_px : float
        Solved focal length, px.
    focal_start_px : float
        What the adjustment started from, px.
    principal_offset_sensor_px : tuple of 2 float
        Principal point minus the centre of the stored pixels, in stored axes, px.
    distortion : tuple of 3 float
        (k1, k2, k3) of `radial3`.
    """

    body: str | None
    lens: str | None
    focal_mm: float | None
    stored_width: int
    stored_height: int
    focal_px: float
    focal_start_px: float
    principal_offset_sensor_px: tuple[float, float]
    distortion: tuple[float, float, float]
    model: str = "radial3"


@dataclass(frozen=True, slots=True)
class Placement:
    """One frame's outcome. `camera` is None exactly when it is not used; `reason` then says why."""

    lens: int
    camera: Camera | None
    row: int | None = None
    column: int | None = None
    placed_by: Literal["tie-points", "grid"] = "tie-points"
    placement_sigma_px: float | None = None
    doubt: str | None = None
    reason: str | None = None

    @property
    def used(self) -> bool:
        return self.camera is not None


@dataclass(frozen=True, slots=True)
class PairTies:
    """Tie points of one pair of frames a < b: the same details, px as displayed.

    Parameters
    ----------
    a, b : int
        Frame indices.
    points_a, points_b : ndarray of shape (n, 2), float64
        Positions in either frame.
    rms_px : float
        RMS of the disagreement of these points through the solved cameras, in px of the frames.
    overlap_fraction : float
        Share of frame a's area that frame b sees too.
    seconds : float or None
        Time between the two exposures.
    """

    a: int
    b: int
    points_a: NDArray[np.float64]
    points_b: NDArray[np.float64]
    rms_px: float
    overlap_fraction: float
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """Where gravity points, on what evidence, how surely (radians, one sigma of the tilt), and in words."""

    source: LevelSource
    sigma_rad: float
    words: str


@dataclass(frozen=True, slots=True)
class Alignment:
    """Frames in the order of the series, lens groups, tie points of used frames, level, components.

    `components` lists the blocks of frames that hang together, largest first; the first is the one made.
    `tie_point_rms_px` is over all tie points of used frames. `notices` are sentences for the summary.
    """

    frames: tuple[Placement, ...]
    lenses: tuple[LensGroup, ...]
    pairs: tuple[PairTies, ...]
    level: Level
    components: tuple[tuple[int, ...], ...]
    tie_point_rms_px: float
    notices: tuple[str, ...] = ()

    @property
    def used(self) -> tuple[int, ...]:
        """Indices of the used frames, in order."""
        return tuple(i for i, f in enumerate(self.frames) if f.used)
