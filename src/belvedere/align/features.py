"""Features of a frame: SIFT on a reduced copy, as RootSIFT, spread over the frame."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource

_CELLS = 8
_CONTRAST = 0.012  # of cv2.SIFT; low, so that a hazy skyline still gives features. No published source.


@dataclass(frozen=True, slots=True)
class Features:
    """Features of one frame, strongest first within each part of the frame.

    Parameters
    ----------
    points : ndarray of shape (n, 2), float64
        Positions in px of the full frame as displayed.
    descriptors : ndarray of shape (n, 128), float32
        RootSIFT, unit length.
    order : ndarray of shape (n,), int64
        Indices that go round the parts of the frame, strongest first: a prefix of it is a spread subset.
    pixel : float
        Size of a pixel of the reduced copy in px of the full frame.
    """

    points: NDArray[np.float64]
    descriptors: NDArray[np.float32]
    order: NDArray[np.int64]
    pixel: float


def level_of(source: FrameSource, frame: int, pixels: int) -> int:
    """The smallest level of a frame that still has `pixels` px."""
    level = 0
    while level + 1 < source.levels(frame):
        w, h = source.size(frame, level + 1)
        if w * h < pixels:
            break
        level += 1
    return level


def grey_copy(source: FrameSource, frame: int, pixels: int) -> tuple[NDArray[np.uint8], float]:
    """A grey 8-bit copy of a frame of about `pixels` px, and the size of its pixel in px of the frame.

    Made from the smallest level that is not smaller than wanted, by area means. Contrast is kept as coded.
    """
    width, height = source.size(frame, 0)
    image = source.whole(frame, level_of(source, frame, pixels))
    codes = image if image.dtype == np.uint8 else (image >> 8).astype(np.uint8)
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY)
    scale = (pixels / (grey.shape[0] * grey.shape[1])) ** 0.5
    if scale < 0.9:
        size = (max(1, round(grey.shape[1] * scale)), max(1, round(grey.shape[0] * scale)))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    return np.asarray(grey), ((width / grey.shape[1]) * (height / grey.shape[0])) ** 0.5


def detect(grey: NDArray[np.uint8], size: tuple[int, int], *, most: int) -> Features:
    """Detect features in a grey copy.

    Parameters
    ----------
    grey : ndarray of shape (h, w), uint8
        The reduced copy.
    size : tuple of 2 int
        (width, height) of the full frame; positions are given in its pixels.
    most : int
        Most features kept.

    References
    ----------
    D. G. Lowe, Distinctive image features from scale-invariant keypoints, IJCV 60(2), 2004.
    R. Arandjelovic, A. Zisserman, Three things everyone should know to improve object retrieval, CVPR 2012.
    """
    sift = cv2.SIFT.create(nfeatures=4 * most, contrastThreshold=_CONTRAST, edgeThreshold=12)
    keypoints = sift.detect(grey, None)
    pixel = ((size[0] / grey.shape[1]) * (size[1] / grey.shape[0])) ** 0.5
    points = np.array([k.pt for k in keypoints], dtype=np.float64).reshape(-1, 2)
    response = np.array([k.response for k in keypoints], dtype=np.float64)
    order = _spread_order(points, response, grey.shape[1], grey.shape[0])[:most]
    # describing only those chosen builds the scale space twice, and is still faster than describing all
    kept, raw = sift.compute(grey, [keypoints[k] for k in order])
    if raw is None:
        return Features(np.empty((0, 2)), np.empty((0, 128), np.float32), np.empty(0, np.int64), pixel)
    descriptors = np.asarray(raw, dtype=np.float32)
    descriptors /= np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-9)
    np.sqrt(descriptors, out=descriptors)
    scale = np.array([size[0] / grey.shape[1], size[1] / grey.shape[0]])
    full = (np.array([k.pt for k in kept], dtype=np.float64) + 0.5) * scale - 0.5
    return Features(full, descriptors, np.arange(len(full), dtype=np.int64), pixel)


def _spread_order(
    points: NDArray[np.float64], response: NDArray[np.float64], width: int, height: int
) -> NDArray[np.int64]:
    """Order that takes the strongest of every cell, then the second of every cell, and so on."""
    cell = (points[:, 0] * _CELLS / width).astype(int).clip(0, _CELLS - 1)
    cell += _CELLS * (points[:, 1] * _CELLS / height).astype(int).clip(0, _CELLS - 1)
    by_cell = np.lexsort((points[:, 1], points[:, 0], -response, cell))
    sorted_cell = cell[by_cell]
    first = np.searchsorted(sorted_cell, sorted_cell)  # start of each one's cell
    rank = np.arange(len(points)) - first
    strength = response[by_cell]
    return np.asarray(by_cell[np.lexsort((-strength, rank))], dtype=np.int64)
