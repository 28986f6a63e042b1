"""Vessarin Head, an invented coast: what is where, as a pure function of seed and wishes.

The place is laid out around the viewer in yaw and in e = tan(elevation), up positive. From far to near: sky,
open sea, a far range, hills, a headland with buildings, and the ground before the tripod. Every land layer
stands on a cylinder around the viewer at its distance, the ground and the sea on horizontal planes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.noise import ring_profile

NAME = "Vessarin Head"
LAYERS: tuple[str, ...] = ("range", "hills", "head", "ground")
DISTANCES_M: tuple[float, ...] = (18000.0, 2600.0, 420.0, 70.0)
"""Distance of every land layer's outline from the viewer; the ground's at `EYE_HEIGHT_M`."""
SEA_DEPTH_M = 30.0
"""Height of the viewer above the sea."""
EYE_HEIGHT_M = 12.0
"""Height of the viewer above the ground near by, unless the place is told otherwise."""
WATERLINES: tuple[float, ...] = (*(-SEA_DEPTH_M / d for d in DISTANCES_M[:3]), -1e9)
"""e of the shore at the foot of every layer; the ground has none."""


@dataclass(frozen=True, slots=True)
class Place:
    """Wishes that make one version of the place.

    Parameters
    ----------
    seed : int
        Everything random follows from it.
    sea_yaw_deg, sea_width_deg : float
        Middle and width of the open sea: there the horizon is the sea's, at e = 0.
    clouds : float
        Share of the sky under cloud, 0 to 1; 0 is a plain gradient.
    relief : float
        Factor on the height of the far range.
    skyline_deg : float or None
        Elevation that nothing on land passes, all around, the range's crest just under it; None: as it comes.
    facade : bool
        A long building of identical windows and a fence of identical posts stand before the scenery.
    buildings : bool
        Lighthouse, church and houses on the headland.
    sun_yaw_deg, sun_pitch_deg : float
        Where the sun stands.
    eye_m : float
        Height of the viewer above the ground near by, m. Lower, it looks the same but is nearer.
    """

    seed: int = 0
    sea_yaw_deg: float = 105.0
    sea_width_deg: float = 80.0
    clouds: float = 0.45
    relief: float = 1.0
    skyline_deg: float | None = None
    facade: bool = False
    buildings: bool = True
    sun_yaw_deg: float = -70.0
    sun_pitch_deg: float = 34.0
    eye_m: float = EYE_HEIGHT_M

    @property
    def distances_m(self) -> tuple[float, ...]:
        """Distance of every land layer's outline from the viewer: the ground's follows the eye's height."""
        return (*DISTANCES_M[:3], DISTANCES_M[3] * (self.eye_m / EYE_HEIGHT_M))

    @property
    def sun(self) -> tuple[float, float, float]:
        """Unit direction towards the sun."""
        t, p = math.radians(self.sun_yaw_deg), math.radians(self.sun_pitch_deg)
        return math.cos(p) * math.sin(t), -math.sin(p), math.cos(p) * math.cos(t)


def outline_samples(focal_px: float) -> int:
    """How many samples a full turn of outline needs so that a pixel of 1/focal_px spans more than one."""
    return 1 << math.ceil(math.log2(2.5 * 2.0 * math.pi * focal_px))


@lru_cache(maxsize=4)
def outlines(place: Place, samples: int) -> NDArray[np.float32]:
    """The upper edge of every land layer around the full turn, detailed down to the sample.

    Returns
    -------
    edge : ndarray of shape (len(LAYERS), samples), float32
        e at yaw = 2 pi i / samples. Not to be written to.
    """
    yaw = np.arange(samples, dtype=np.float64) * (2.0 * math.pi / samples)
    edge = np.empty((len(LAYERS), samples), dtype=np.float32)
    range_ = 0.13 + _profile(samples, place.seed * 16 + 1, 9, 0.055, 0.53, ridged=True)
    hills = (
        0.050 + _profile(samples, place.seed * 16 + 2, 11, 0.020, 0.50) + _canopy(samples, place.seed, 3e-3)
    )
    head = -0.004 + _profile(samples, place.seed * 16 + 3, 7, 0.024, 0.52)
    ground = -0.17 + _profile(samples, place.seed * 16 + 4, 8, 0.030, 0.55)
    range_ = 0.03 + (range_ - 0.03) * place.relief
    if place.skyline_deg is not None:
        top = math.tan(math.radians(place.skyline_deg))
        spread = range_ - range_.min()
        range_ = top - 0.02 + 0.02 * spread / spread.max()
        hills = np.minimum(hills, top - 0.015)
        head = np.minimum(head, top - 0.015)
    for i, (layer, shore_deg) in enumerate(((range_, 16.0), (hills, 9.0), (head, 5.0))):
        land = 1.0 - _sector(yaw, place.sea_yaw_deg, place.sea_width_deg, shore_deg)
        edge[i] = (layer - WATERLINES[i]) * land + WATERLINES[i] - 0.004 * (1.0 - land)
    edge[3] = ground
    edge.setflags(write=False)
    return edge


def _sector(
    yaw: NDArray[np.float64], middle_deg: float, width_deg: float, shore_deg: float
) -> NDArray[np.float64]:
    """1 inside the sector of open sea, 0 outside, with a shore that sinks on either side of it."""
    if width_deg <= 0.0:
        return np.zeros_like(yaw)
    off = np.abs((yaw - math.radians(middle_deg) + math.pi) % (2.0 * math.pi) - math.pi)
    t = np.clip((math.radians(width_deg / 2.0 + shore_deg) - off) / math.radians(shore_deg), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def _profile(
    samples: int, seed: int, cells: int, height: float, decay: float, *, ridged: bool = False
) -> NDArray[np.float32]:
    """A fractal outline: octaves from `cells` a turn down to two samples, heights falling by `decay`."""
    out = np.zeros(samples, dtype=np.float32)
    octave = 0
    while cells * 4 <= samples:
        if ridged and octave < 3:
            part = np.zeros(samples, dtype=np.float32)
            ring_profile(part, cells, 1.0, seed * 977 + octave)
            out += np.float32(height) * (0.7 - 2.0 * np.abs(part))
        else:
            ring_profile(out, cells, height, seed * 977 + octave)
        cells = cells * 2 + 1
        height *= decay
        octave += 1
    return out


def _canopy(samples: int, seed: int, height: float) -> NDArray[np.float32]:
    """Tree tops: rounded bumps of a tree's width that come and go along the crest."""
    bumps = np.zeros(samples, dtype=np.float32)
    where = np.zeros(samples, dtype=np.float32)
    if samples >= 8192:
        ring_profile(bumps, 1601, 1.0, seed * 16 + 5)
    ring_profile(where, 23, 1.0, seed * 16 + 6)
    return np.asarray(height * np.clip(where * 2.0 + 0.4, 0.0, 1.0) * (0.5 + np.abs(bumps)), dtype=np.float32)
