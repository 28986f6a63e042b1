"""Where the same details of two neighbouring frames really lie, on a grid over their overlap.

The tie points of an alignment are those that agree with its cameras: near ground and refocused frames lose
theirs to its robust loss. Here details all over the overlap are searched for around where the cameras put
them, and whatever is found is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.level_match import transfer
from belvedere.align.overlaps import overlapping_pairs
from belvedere.align.patch_match import match_patch
from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource, Pixels
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.checked import Checked

COPY_PIXELS = 600_000
"""Most pixels of the reduced copy that overlaps are looked at on."""
_LEAST_OVERLAP = 0.03  # of either frame's area, from which an overlap is worth looking at
_HALF = 9  # the patch is 19 x 19 px
_SEARCH = 9  # px of the copy: 60 mm off the axis with ground at 2.5 m moves it by 7 px at 35 mm focal length
_LIKENESS = 0.75
_CELL = 22  # px of the copy: one detail is sought in every cell
_MOST_CELLS = 160
_STRUCTURE = 3.0  # codes of 255: the weaker axis of a detail's contrast, from which it can be found again
_ROOT_TO_CODES = (2 * _HALF + 1) / 2.0
_LEAST_SIGMA_PX = 0.1  # of the copy


@dataclass(frozen=True, slots=True)
class OverlapField:
    """Details of one overlap found in both frames.

    Parameters
    ----------
    a, b : int
        Frame indices, a < b.
    points_a, points_b : ndarray of shape (n, 2), float64
        Where either frame shows them, px of the full frame.
    sigma_px : ndarray of shape (n,), float64
        One sigma of a coordinate of b against a, px of the full frame.
    strength : ndarray of shape (n,), float64
        Contrast of each along its weaker axis, codes of 255.
    tried : int
        How many were looked for.
    pixel : float
        Size of a pixel of the copy looked at, px of the full frame.
    """

    a: int
    b: int
    points_a: NDArray[np.float64]
    points_b: NDArray[np.float64]
    sigma_px: NDArray[np.float64]
    strength: NDArray[np.float64]
    tried: int
    pixel: float = 1.0

    def part(self, which: NDArray[np.int64]) -> OverlapField:
        """The same field with some of its details alone."""
        return replace(
            self,
            points_a=self.points_a[which],
            points_b=self.points_b[which],
            sigma_px=self.sigma_px[which],
            strength=self.strength[which],
        )


def copy_level(source: FrameSource, frame: int, pixels: int = COPY_PIXELS) -> int:
    """The first level of a frame with at most so many pixels (its last one if all have more)."""
    for level in range(source.levels(frame)):
        width, height = source.size(frame, level)
        if width * height <= pixels:
            return level
    return source.levels(frame) - 1


def grey(codes: Pixels) -> NDArray[np.float32]:
    """Luminance of codes (h, w, 3), 0 to 255 whatever the depth (weights of ITU-R BT.601)."""
    found = np.asarray(cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY), dtype=np.float32)
    return found if codes.dtype == np.uint8 else np.asarray(found / np.float32(257.0))


def cameras_of(checked: Checked) -> dict[int, Camera]:
    """Cameras of the used frames, by index."""
    return {i: f.camera for i, f in enumerate(checked.alignment.frames) if f.camera is not None}


def neighbouring_pairs(checked: Checked) -> list[tuple[int, int]]:
    """Pairs of used frames whose cameras say that they overlap."""
    cameras = cameras_of(checked)
    return overlapping_pairs(list(cameras), list(cameras.values()), _LEAST_OVERLAP)


def measure_fields(checked: Checked, run: Mapper = map) -> tuple[OverlapField, ...]:
    """Find details again all over every overlap; memory holds two reduced copies a job."""
    cameras = cameras_of(checked)

    def one(pair: tuple[int, int]) -> OverlapField:
        return measure_field(checked.source, pair, (cameras[pair[0]], cameras[pair[1]]))

    return tuple(run(one, neighbouring_pairs(checked)))


def measure_field(source: FrameSource, pair: tuple[int, int], cameras: tuple[Camera, Camera]) -> OverlapField:
    """Find details of frame a again in frame b, on copies of at most 0.6 megapixels.

    Parameters
    ----------
    source : FrameSource
        The frames' pixels.
    pair : tuple of 2 int
        Frame indices.
    cameras : tuple of 2 Camera
        Right to within 9 px of the copy.
    """
    level = max(copy_level(source, i) for i in pair)
    level = min(level, source.levels(pair[0]) - 1, source.levels(pair[1]) - 1)
    scale, shift = 2.0**level, (2.0**level - 1.0) / 2.0
    small = cameras[0].scaled(level), cameras[1].scaled(level)
    image_a, image_b = (grey(source.whole(i, level)) for i in pair)
    at, strength = _details(image_a, small)
    empty = np.empty((0, 2))
    if not len(at):
        return OverlapField(*pair, empty, empty, np.empty(0), np.empty(0), 0, scale)
    predicted, affine, seen = transfer(at.astype(np.float64), *small)
    found, found_b, sigma = [], [], []
    for k in np.flatnonzero(seen):
        x, y = int(at[k, 0]), int(at[k, 1])
        patch = np.ascontiguousarray(image_a[y - _HALF : y + _HALF + 1, x - _HALF : x + _HALF + 1])
        px, py = float(predicted[k, 0]), float(predicted[k, 1])
        dx, dy, likeness, s = match_patch(patch, image_b, px, py, affine[k], _SEARCH)
        if likeness >= _LIKENESS:
            found.append(k)
            found_b.append((px + dx, py + dy))
            sigma.append(max(s, _LEAST_SIGMA_PX))
    n = len(found)
    which = np.array(found, dtype=np.int64)
    points_a = at[which].astype(np.float64) * scale + shift
    points_b = np.array(found_b, dtype=np.float64).reshape(n, 2) * scale + shift
    tried = int(np.count_nonzero(seen))
    return OverlapField(*pair, points_a, points_b, np.array(sigma) * scale, strength[which], tried, scale)


def _details(
    image: NDArray[np.float32], cameras: tuple[Camera, Camera]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The best detail of every cell of frame a that b sees too: (n, 2) px of the copy, and its strength."""
    height, width = image.shape
    margin = _HALF + 1
    if min(height, width) <= 2 * margin + _CELL:
        return np.empty((0, 2), dtype=np.int64), np.empty(0)
    # cornerMinEigenVal's root is twice the RMS slope along the weaker axis (Sobel's 8 over 4, summed over the
    # block and divided by its side squared); slope times the patch's width is contrast across it
    eigen = cv2.cornerMinEigenVal(cv2.GaussianBlur(image, (0, 0), 1.0), 2 * _HALF + 1, ksize=3)
    strength = np.sqrt(np.maximum(np.asarray(eigen), 0.0))
    x = np.arange(margin, width - margin - _CELL + 1, _CELL)
    y = np.arange(margin, height - margin - _CELL + 1, _CELL)
    corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    middle = corners + _CELL / 2.0
    _, seen = cameras[1].project(cameras[0].rays(middle))
    corners = corners[seen]
    if len(corners) > _MOST_CELLS:
        corners = corners[:: math.ceil(len(corners) / _MOST_CELLS)]
    out, contrast = [], []
    for cx, cy in corners.tolist():
        cell = strength[cy : cy + _CELL, cx : cx + _CELL]
        best = int(np.argmax(cell))
        codes = float(cell.flat[best]) * _ROOT_TO_CODES
        if codes >= _STRUCTURE:
            contrast.append(codes)
            out.append((cx + best % _CELL, cy + best // _CELL))
    return np.array(out, dtype=np.int64).reshape(-1, 2), np.array(contrast)
