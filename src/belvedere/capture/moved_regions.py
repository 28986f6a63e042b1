"""Where exposures of one pose disagree beyond noise: things that moved, each taken from one exposure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.capture.exposure_noise import NoiseModel

BLOCK_PX = 4
"""Side of the squares whose means are compared; our choice: noise is quartered, a face still shows."""

_SURE, _LIKELY = 6.0, 3.0  # sigmas from which a square has moved, and beside such a one may have
_FEWEST_SQUARES = 3  # of a region: fewer are a hot pixel or a spark
_MARGIN = 2  # squares about a region that go with it
_FEATHER = 2  # squares over which a region fades into what is merged, each way
_CLOSE_GAP = 3  # squares: parts of one thing hang together across less
_FEW_CLIPPED = 0.02  # share of a region that may be clipped in the exposure it is taken from
_UNCLIPPED_SHARE = 0.5  # of a square's px that have their say
_NEAR_WHITE_ERROR = (
    0.06  # added to the ratio's: curves flatten towards white, filters are interpolated across it
)


@dataclass(frozen=True, slots=True)
class Squares:
    """Means of squares of `BLOCK_PX` px of one exposure.

    Parameters
    ----------
    light : ndarray of shape (rows, columns, 3), float32
        Mean light of the px that are not near white, 1 at the exposure's own white.
    gradient : ndarray of shape (rows, columns), float32
        Change of light a px, green.
    unclipped : ndarray of shape (rows, columns), float32
        Share of px that are not near white.
    """

    light: NDArray[np.float32]
    gradient: NDArray[np.float32]
    unclipped: NDArray[np.float32]


def squares_of(light: NDArray[np.float32], say: NDArray[np.float32]) -> Squares:
    """Means of whole squares of a band of rows; a remainder at the right and lower edge is left out.

    Parameters
    ----------
    light : ndarray of shape (height, width, 3), float32
    say : ndarray of shape (height, width), float32
        1 to 0 near white.
    """
    rows, columns = light.shape[0] // BLOCK_PX, light.shape[1] // BLOCK_PX
    mean = np.zeros((rows, columns, 3), np.float32)
    unclipped = np.zeros((rows, columns), np.float32)
    gradient = np.zeros((rows, columns), np.float32)
    _means(light, say, mean, gradient, unclipped)
    return Squares(mean, gradient, unclipped)


@njit(cache=True, nogil=True)
def _means(
    light: NDArray[np.float32],
    say: NDArray[np.float32],
    mean: NDArray[np.float32],
    gradient: NDArray[np.float32],
    unclipped: NDArray[np.float32],
) -> None:
    side = 4
    for r in range(mean.shape[0]):
        for q in range(mean.shape[1]):
            count = 0
            left, right, upper, lower = 0.0, 0.0, 0.0, 0.0
            sums = np.zeros(3)
            for j in range(side):
                for i in range(side):
                    y, x = r * side + j, q * side + i
                    green = light[y, x, 1]
                    if i < 2:
                        left += green
                    else:
                        right += green
                    if j < 2:
                        upper += green
                    else:
                        lower += green
                    if say[y, x] > 0.99:
                        count += 1
                        for c in range(3):
                            sums[c] += light[y, x, c]
            unclipped[r, q] = count / (side * side)
            gradient[r, q] = np.sqrt((right - left) ** 2 + (lower - upper) ** 2) / 16.0
            for c in range(3):
                mean[r, q, c] = sums[c] / count if count else 1.0


def disagreement(
    longer: Squares,
    shorter: Squares,
    longer_whole: Squares,
    shorter_whole: Squares,
    exposures: tuple[NDArray[np.float64], NDArray[np.float64]],
    noise: tuple[NoiseModel, NoiseModel],
    *,
    shift_px: float,
    ratio_error: float,
) -> NDArray[np.float32]:
    """How many sigmas squares of two exposures lie apart, the worst channel: (rows, columns).

    Parameters
    ----------
    longer, shorter : Squares
        Both of the px that are not near white in the longer exposure.
    longer_whole, shorter_whole : Squares
        Of all px; the shorter's light brought to the longer's scale and held at its white first. They are
        compared, more leniently, where most of the square is near white.
    exposures : tuple of 2 ndarray of shape (3,)
        Light the longer and the shorter took.
    noise : tuple of 2 NoiseModel
    shift_px : float
        One sigma of where a detail lies in one against the other.
    ratio_error : float
        One sigma of the ratio of the two, as a share: shutter, curve.
    """
    most = np.zeros(longer.unclipped.shape, np.float64)
    free = longer.unclipped >= _UNCLIPPED_SHARE
    count = np.where(free, longer.unclipped, 1.0) * BLOCK_PX**2
    lenient = np.where(free, ratio_error, ratio_error + _NEAR_WHITE_ERROR)
    edge = shift_px * np.maximum(
        longer.gradient / exposures[0][1], np.where(free, shorter.gradient / exposures[1][1], 0.0)
    )
    for c in range(3):
        e, f = float(exposures[0][c]), float(exposures[1][c])
        a = np.where(free, longer.light[..., c], longer_whole.light[..., c]).astype(np.float64) / e
        b = np.where(free, shorter.light[..., c] / f, shorter_whole.light[..., c] / e).astype(np.float64)
        middle = np.maximum((a * e + b * f) / (e + f), 0.0)
        variance = np.zeros(most.shape)
        for model, own in ((noise[0], e), (noise[1], f)):
            single = model.photon[c] * np.minimum(middle * own, 1.0) + model.read[c]
            variance += single * model.block_factor / (own**2 * count)
        sigma = np.sqrt(variance + edge**2 + (lenient * middle) ** 2)
        most = np.maximum(most, np.abs(a - b) / sigma)
    return most.astype(np.float32)


@dataclass(frozen=True, slots=True)
class Moved:
    """What moved.

    Parameters
    ----------
    chosen : ndarray of shape (k, rows, columns), float32
        Share, 0 to 1, with which each square comes from one exposure alone.
    regions : int
        How many.
    share : float
        Of the frame, 0 to 1.
    """

    chosen: NDArray[np.float32]
    regions: int
    share: float


def choose_exposures(apart: Sequence[NDArray[Any]], unclipped: Sequence[NDArray[Any]]) -> Moved:
    """Regions that moved, each taken whole from the exposure that is best exposed there.

    Best is the longest in which next to nothing of the region is near white: it has the least noise.

    Parameters
    ----------
    apart : sequence of k - 1 ndarray of shape (rows, columns)
        `disagreement` of exposures 0 and 1, 1 and 2, ... from short to long.
    unclipped : sequence of k ndarray of shape (rows, columns)
    """
    shape = unclipped[0].shape
    moved = np.zeros(shape, np.uint8)
    for own in apart:
        moved |= _grown(own)
    chosen = np.zeros((len(unclipped), *shape), np.float32)
    if not moved.any():
        return Moved(chosen, 0, 0.0)
    share = float(moved.mean())
    wide = cv2.dilate(moved, _disc(_MARGIN))
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, _disc(_CLOSE_GAP), borderType=cv2.BORDER_REPLICATE)
    count, labels = cv2.connectedComponents(closed, connectivity=8)
    sizes = np.bincount(labels.ravel(), minlength=count)
    best = np.zeros(count, np.int64)
    for k, own in enumerate(unclipped):
        clipped = 1.0 - np.bincount(labels.ravel(), own.ravel(), count) / np.maximum(sizes, 1)
        best = np.where(clipped <= _FEW_CLIPPED, k, best)
    side = 2 * _FEATHER + 1
    for k in range(len(unclipped)):
        own_regions = (labels > 0) & (best[labels] == k)
        if own_regions.any():
            whole = cv2.dilate(own_regions.astype(np.float32), _disc(_FEATHER))
            chosen[k] = cv2.blur(whole, (side, side), borderType=cv2.BORDER_REPLICATE)
    return Moved(chosen, count - 1, share)


def chosen_rows(moved: Moved, y0: int, y1: int, width: int) -> NDArray[np.float32] | None:
    """Shares of px rows y0 <= y < y1, linear between squares' centres: (k, y1 - y0, width); None if all 0."""
    rows, columns = moved.chosen.shape[1:]
    at_y = (np.arange(y0, y1) + 0.5) / BLOCK_PX - 0.5
    top = int(np.clip(np.floor(at_y[0]), 0, rows - 1))
    bottom = int(np.clip(np.floor(at_y[-1]) + 1, 0, rows - 1)) + 1
    band = moved.chosen[:, top:bottom]
    if not band.any():
        return None
    at_x = (np.arange(width) + 0.5) / BLOCK_PX - 0.5
    map_x = np.broadcast_to(np.clip(at_x, 0, columns - 1).astype(np.float32), (y1 - y0, width))
    map_y = np.broadcast_to(np.clip(at_y - top, 0, bottom - top - 1).astype(np.float32)[:, None], map_x.shape)
    return _resampled(band, np.ascontiguousarray(map_x), np.ascontiguousarray(map_y))


@njit(cache=True, nogil=True)
def _resampled(
    band: NDArray[np.float32], map_x: NDArray[np.float32], map_y: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Bilinear."""
    count, rows, columns = band.shape
    out = np.zeros((count, map_x.shape[0], map_x.shape[1]), np.float32)
    for j in range(map_x.shape[0]):
        for i in range(map_x.shape[1]):
            x, y = map_x[j, i], map_y[j, i]
            x0, y0 = min(int(x), columns - 1), min(int(y), rows - 1)
            x1, y1 = min(x0 + 1, columns - 1), min(y0 + 1, rows - 1)
            u, v = x - x0, y - y0
            for k in range(count):
                upper = band[k, y0, x0] * (1 - u) + band[k, y0, x1] * u
                lower = band[k, y1, x0] * (1 - u) + band[k, y1, x1] * u
                out[k, j, i] = upper * (1 - v) + lower * v
    return out


def _grown(apart: NDArray[Any]) -> NDArray[np.uint8]:
    """Squares that are likely apart and hang together with some that surely are."""
    likely = (apart > _LIKELY).astype(np.uint8)
    count, labels = cv2.connectedComponents(likely, connectivity=8)
    sure = np.bincount(labels.ravel(), (apart > _SURE).ravel(), count) > 0
    large = np.bincount(labels.ravel(), minlength=count) >= _FEWEST_SQUARES
    keep = sure & large
    keep[0] = False
    return np.asarray(keep[labels], np.uint8)


def _disc(radius: int) -> NDArray[np.uint8]:
    side = 2 * radius + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return np.asarray(disc, np.uint8)
