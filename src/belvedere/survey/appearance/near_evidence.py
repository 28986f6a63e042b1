"""What speaks for an object close to the lens: strips like fingers, and large flat bodies."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.small_frame import SmallFrame

STRIP_CUES = ("log width", "log aspect", "palm")
BODY_CUES = ("log area", "border", "span", "blue", "pale")

_FLAT = 2.2  # change per px below which a place is flat
_LEAST_AREA = 0.012  # of the frame
_BODIES = 8
_BLACK = 5.0  # L below which nothing was exposed: it says nothing
_FLOOR = 6.0  # least contrast that counts as one, CIE 1976
_FINEST = 0.9  # octaves; hardly a photograph is finer (99th percentile of ours)


def strip_cues(
    small: SmallFrame, strips: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What each strip is like: cues (n, 3) named by `STRIP_CUES`, and its mean Lab colour (n, 3)."""
    if len(strips) == 0:
        return np.zeros((0, len(STRIP_CUES))), np.zeros((0, 3))
    height, width = small.lab.shape[:2]
    x, y, w, length, dx, dy = (column[:, None] for column in strips.T[:6])

    def colours(down: NDArray[np.float64], aside: NDArray[np.float64]) -> NDArray[np.float32]:
        column = np.clip(np.rint(x - dx * down - dy * aside), 0, width - 1).astype(np.intp)
        row = np.clip(np.rint(y - dy * down + dx * aside), 0, height - 1).astype(np.intp)
        return np.asarray(small.lab[row, column], dtype=np.float32)

    down = 0.5 * w + np.linspace(0.0, 1.0, 10)[None] * (np.maximum(length - 0.2 * w, 1.5 * w) - 0.5 * w)
    inside = colours(down, np.zeros_like(down))
    mean = inside.mean(axis=1)
    beside = 0.5 * w + 1.5 + 0.0 * down
    contrast = np.minimum(
        np.linalg.norm(colours(down, beside) - inside, axis=2).mean(axis=1),
        np.linalg.norm(colours(down, -beside) - inside, axis=2).mean(axis=1),
    )
    # A finger goes over into a broader body of its own colour; a window or a post ends.
    below = length + np.repeat([0.4, 0.9, 1.4], 3)[None] * w
    body = colours(below, np.tile([-0.9, 0.0, 0.9], 3)[None] * w)
    unlike = np.linalg.norm(body - mean[:, None], axis=2) / np.maximum(contrast, _FLOOR)[:, None]
    cues = np.column_stack(
        [
            np.log(strips[:, 2] / max(height, width) * 100.0),
            np.log(strips[:, 3] / strips[:, 2]),
            np.clip(1.2 - unlike, 0.0, 1.0).mean(axis=1),
        ]
    )
    return cues, mean.astype(np.float64)


def flat_bodies(small: SmallFrame) -> list[NDArray[np.bool_]]:
    """The large flat regions of a frame (h, w), largest first; what was not exposed at all is left out."""
    flat = cv2.erode((small.fine < _FLAT).astype(np.uint8), np.ones((3, 3), np.uint8))
    _, names, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4)
    areas = stats[1:, cv2.CC_STAT_AREA]
    large = [i for i in np.argsort(-areas, kind="stable")[:_BODIES] if areas[i] >= _LEAST_AREA * flat.size]
    regions = [names == i + 1 for i in large]
    return [region for region in regions if small.lab[region, 0].mean() >= _BLACK]


def body_cues(small: SmallFrame) -> NDArray[np.float64]:
    """What each large flat region is like: cues (n, 5) named by `BODY_CUES`, largest first."""
    bright = float(np.percentile(small.lab[..., 0], 95.0))
    found = []
    for region in flat_bodies(small):
        light, a, b = small.lab[region].mean(axis=0, dtype=np.float64)
        sides = [float(side.mean()) for side in (region[1], region[-2], region[:, 1], region[:, -2])]
        across, along = (
            float(np.ptp(np.flatnonzero(region.any(axis=k))) + 1) / region.shape[1 - k] for k in (0, 1)
        )
        near_white = np.clip(1.0 - (bright - light) / 15.0, 0.0, 1.0)
        found.append(
            [
                np.log(region.mean()),
                sum(sides) / 4.0,
                max(across, along),
                np.clip((-b - 2.0) / 10.0, 0.0, 1.0),
                near_white * np.clip(1.5 - np.hypot(a, b) / 10.0, 0.0, 1.0),
            ]
        )
    return np.array(found, dtype=np.float64).reshape(-1, len(BODY_CUES))


def fineness(small: SmallFrame) -> float:
    """How much finer than broad the light varies, octaves: log2 of two bands of a Gaussian pyramid.

    Low where much of the frame is out of focus or smooth; at most 0.9.
    """
    light = np.ascontiguousarray(small.lab[..., 0])
    levels = [light] + [cv2.GaussianBlur(light, (0, 0), s) for s in (1.0, 4.0, 8.0)]
    fine, broad = (float(np.abs(levels[i] - levels[i + 1]).mean()) for i in (0, 2))
    return min(float(np.log2((fine + 0.05) / (broad + 0.05))), _FINEST)
