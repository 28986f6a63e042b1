"""A starting focal length from the pictures themselves, whatever the tags say.

Two frames turned about one point are related by K R K^-1 (Szeliski & Shum 1997). For each focal length of a
fine ladder the best rotation of every pair is fitted and its disagreement in px summed over the pairs; a mild
radial distortion is tried beside none, since it looks much like another focal length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.pair_rotation import fit_rotation

_LADDER = np.geomspace(0.35, 14.0, 64)  # of the frame's long side; 6 % steps: about 13 to 500 mm on 36 mm
_SCAN_MATCHES = 600  # matches in all that the scan weighs
_CORNERS = (0.0, -0.012, 0.012, -0.03, 0.03)  # displacement of the corner by k1, as a share of its radius


@dataclass(frozen=True, slots=True)
class MatchedPair:
    """Matches of two frames that one homography explains, px from the frames' centres.

    Both frames are taken through one lens.
    """

    a: NDArray[np.float64]
    b: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FocalScan:
    """Mean robust disagreement (0 to 1) for every focal length of the ladder, px."""

    focal_px: NDArray[np.float64]
    cost: NDArray[np.float64]

    @property
    def best_px(self) -> float:
        """The ladder's best focal length, with a parabola through its neighbours in ln f."""
        i = int(np.argmin(self.cost))
        if i in (0, len(self.cost) - 1):
            return float(self.focal_px[i])
        left, mid, right = self.cost[i - 1], self.cost[i], self.cost[i + 1]
        bend = left - 2 * mid + right
        shift = 0.5 * (left - right) / bend if bend > 0 else 0.0
        ladder = np.log(self.focal_px[i + 1] / self.focal_px[i])
        return float(self.focal_px[i] * np.exp(np.clip(shift, -0.5, 0.5) * ladder))

    def cost_at(self, focal_px: float) -> float:
        return float(np.interp(np.log(focal_px), np.log(self.focal_px), self.cost))


def homography_inliers(
    a: NDArray[np.float64], b: NDArray[np.float64], tolerance_px: float
) -> NDArray[np.bool_]:
    """Which matches one homography explains (USAC with MAGSAC++ scoring, Barath et al. 2020, from OpenCV)."""
    if len(a) < 8:
        return np.zeros(len(a), dtype=bool)
    cv2.setRNGSeed(7)
    _, mask = cv2.findHomography(
        a.astype(np.float64),
        b.astype(np.float64),
        cv2.USAC_MAGSAC,
        tolerance_px,
        maxIters=2000,
        confidence=0.999,
    )
    return np.zeros(len(a), dtype=bool) if mask is None else np.asarray(mask.ravel() > 0)


def scan_focal(pairs: Sequence[MatchedPair], long_side: float, pixel: float) -> FocalScan:
    """Try every focal length of the ladder.

    Parameters
    ----------
    pairs : sequence of MatchedPair
        At least one; at most a few dozen are worth their time.
    long_side : float
        Of the frames, px.
    pixel : float
        Size in px of the copy's pixel the features were found in: the unit of disagreement.

    Returns
    -------
    FocalScan
    """
    ladder = _LADDER * long_side
    thinned = _thinned(pairs)
    return FocalScan(ladder, np.array([_cost(thinned, float(f), long_side, pixel) for f in ladder]))


def disagreement(pairs: Sequence[MatchedPair], focal: float, long_side: float, pixel: float) -> float:
    """Mean robust disagreement (0 to 1) of the pairs at one focal length, px; parameters as `scan_focal`."""
    return _cost(_thinned(pairs), focal, long_side, pixel)


def _thinned(pairs: Sequence[MatchedPair]) -> list[MatchedPair]:
    most = max(24, _SCAN_MATCHES // len(pairs))
    return [MatchedPair(_every(p.a, most), _every(p.b, most)) for p in pairs]


def _cost(pairs: Sequence[MatchedPair], focal: float, long_side: float, pixel: float) -> float:
    """Mean cost at a focal length under the best of the distortions tried."""
    half = np.hypot(1.0, 0.7) / 2.0 * long_side
    weight = sum(len(p.a) for p in pairs)
    best = math.inf
    for corner in _CORNERS:
        total = 0.0
        for p in pairs:
            total += _pair_cost(p, focal, corner / (half / focal) ** 2, pixel)
            if total > best:
                break  # already worse than another distortion
        best = min(best, total)
    return best / weight


def _every(points: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    return points[:: max(1, len(points) // most)]


def _pair_cost(pair: MatchedPair, focal: float, k1: float, pixel: float) -> float:
    """Sum of Geman-McClure costs in [0, 1] of one pair's matches after its best rotation."""
    a, b = _rays(pair.a, focal, k1), _rays(pair.b, focal, k1)
    # px per unit of ray difference grows off the axis: weigh by it, so that no focal length gains by
    # shrinking angles
    magnify = focal / np.clip(a[:, 2] * b[:, 2], 0.05, 1.0)
    w = np.ones(len(a))
    q = w
    for _ in range(3):
        r = fit_rotation(a, b, w * magnify**2)
        q = np.sum((a @ r.T - b) ** 2, axis=1) * (magnify / (2.0 * pixel)) ** 2
        w = 1.0 / (1.0 + q) ** 2
    return float(np.sum(q / (1.0 + q)))


def _rays(points: NDArray[np.float64], focal: float, k1: float) -> NDArray[np.float64]:
    d = points / focal
    # first-order inverse of (1 + k1 r^2): this only compares focal lengths
    d = d / np.maximum(1.0 + k1 * np.sum(d * d, axis=1, keepdims=True), 0.2)
    v = np.column_stack([d, np.ones(len(d))])
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))
