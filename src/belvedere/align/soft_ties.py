"""Tie points in overlaps without sharp detail: a grid of large patches, matched at a coarser level.

In soft cloud a patch of 19 px holds more noise than texture. A patch of a fortieth of the frame, at the level
where it has about 49 px, holds plenty: of a frame of 45 megapixels each is good to a quarter of a pixel, and
there are hundreds. They need no features, so they are spread over the whole overlap.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_match import match_patches, transfer
from belvedere.align.remeasure import Measured
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

# Common practice, no published source; settled on simulated clouds of 45 megapixels against their truth.
_HALF = 24  # the patch is 49 x 49 px of its level
_OF_FRAME = 40.0  # patches along the frame's long side, at most
_LIKENESS = 0.6
_SEARCH = 4  # px of the level
_LEAST_SIGMA_PX = 0.05  # of the level: what vignetting and curves that are not undone yet may pass for
_MOST = 250  # patches tried of a pair


def measure_softly(
    source: FrameSource, pair: tuple[int, int], cameras: tuple[Camera, Camera], search: int = _SEARCH
) -> Measured:
    """Measure patches on a grid over the overlap of two frames.

    Parameters
    ----------
    source : FrameSource
        Frames at all levels.
    pair : tuple of 2 int
        Frame indices (a, b).
    cameras : tuple of 2 Camera
        Their cameras, right to within `search` px of the level.
    search : int
        Largest shift expected, px of the level.

    Returns
    -------
    Measured
        Positions in px of the full frames; only patches with a correlation of at least 0.6 that hold texture
        beyond their noise.
    """
    level = soft_level(source, pair)
    scale = 2.0**level
    at = _grid(*(camera.scaled(level) if level else camera for camera in cameras))
    matched = match_patches(
        source, pair, cameras, (at.astype(np.float64) + 0.5) * scale - 0.5, level, _HALF, search
    )
    good = matched.likeness >= _LIKENESS
    sigma = np.maximum(matched.sigma[good], _LEAST_SIGMA_PX * scale)
    return Measured(matched.a[good], matched.b[good], sigma, len(at))


def soft_level(source: FrameSource, pair: tuple[int, int]) -> int:
    """The level at which patches of two frames are matched."""
    long_side = max(max(source.size(i, 0)) for i in pair)
    wanted = math.log2(max(long_side / _OF_FRAME / (2 * _HALF + 1), 1.0))
    return min(round(wanted), min(source.levels(i) for i in pair) - 1)


def _grid(a: Camera, b: Camera) -> NDArray[np.int64]:
    """Centres of patches in frame a, px of the level: (n, 2), those that frame b sees too."""
    step = _HALF
    while True:
        x = np.arange(_HALF, a.width - _HALF, step)
        y = np.arange(_HALF, a.height - _HALF, step)
        at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        inside = at[transfer(at.astype(np.float64), a, b)[2]]
        if len(inside) <= _MOST:
            return inside
        step = math.ceil(step * max(math.sqrt(len(inside) / _MOST), 1.02))
