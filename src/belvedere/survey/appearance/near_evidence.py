"""What speaks for an object close to the lens: strips like fingers, and flat bodies with soft borders."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.survey.appearance.small_frame import SmallFrame, skin_likeness

STRIP_CUES = ("log spread", "log support", "log width", "log aspect", "palm", "skin", "body", "body squared")
BODY_CUES = ("log area", "softness", "border", "span", "spread", "blue", "skin", "pale", "layer")

_FLAT = 2.2  # change per px below which a place is flat
_LEAST_AREA = 0.012  # of the frame
_BODIES = 8
_BLACK = 5.0  # L below which nothing was exposed: it says nothing
_FLOOR = 6.0  # least contrast that counts as one, CIE 1976


def strip_cues(
    small: SmallFrame, strips: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What each strip is like: cues (n, 6) named by `STRIP_CUES`, and its mean Lab colour (n, 3)."""
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
    spread = np.sqrt(((inside - mean[:, None]) ** 2).sum(axis=2).mean(axis=1))
    beside = 0.5 * w + 1.5 + 0.0 * down
    contrast = np.minimum(
        np.linalg.norm(colours(down, beside) - inside, axis=2).mean(axis=1),
        np.linalg.norm(colours(down, -beside) - inside, axis=2).mean(axis=1),
    )
    # A finger goes over into a broader body of its own colour; a window or a post ends.
    below = length + np.repeat([0.4, 0.9, 1.4], 3)[None] * w
    body = colours(below, np.tile([-0.9, 0.0, 0.9], 3)[None] * w)
    unlike = np.linalg.norm(body - mean[:, None], axis=2) / np.maximum(contrast, _FLOOR)[:, None]
    body_area = np.log(_grown(small, strips) / strips[:, 2] ** 2) - 3.0
    cues = np.column_stack(
        [
            np.log(spread + 2.0),
            np.log(strips[:, 6]),
            np.log(strips[:, 2] / max(height, width) * 100.0),
            np.log(strips[:, 3] / strips[:, 2]),
            np.clip(1.2 - unlike, 0.0, 1.0).mean(axis=1),
            skin_likeness(mean),
            body_area,
            body_area**2,
        ]
    )
    return cues, mean.astype(np.float64)


_TOLERANCE = (38, 7, 7)  # 8-bit Lab codes around a strip's own colour that still are its body


def _grown(small: SmallFrame, strips: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area in px of the connected region of a strip's own colour, around it."""
    height, width = small.lab.shape[:2]
    areas = np.empty(len(strips))
    taken = np.zeros((height + 2, width + 2), dtype=np.uint8)
    how = 4 | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY | (1 << 8)
    for i, (x, y, w, length, dx, dy) in enumerate(strips[:, :6]):
        down = 0.5 * (0.5 * w + length)
        seed = (
            int(np.clip(round(x - dx * down), 0, width - 1)),
            int(np.clip(round(y - dy * down), 0, height - 1)),
        )
        taken[:] = 0
        areas[i], *_ = cv2.floodFill(small.lab8, taken, seed, (0, 0, 0), _TOLERANCE, _TOLERANCE, how)
    return np.maximum(areas, 1.0)


def body_cues(small: SmallFrame) -> NDArray[np.float64]:
    """What each large flat region is like: cues (n, 8) named by `BODY_CUES`, largest first."""
    height, width = small.lab.shape[:2]
    flat = cv2.erode((small.fine < _FLAT).astype(np.uint8), np.ones((3, 3), np.uint8))
    _, names, stats, _ = cv2.connectedComponentsWithStats(flat, connectivity=4)
    # Across a sharp edge the fine gradient is up to three times the coarse one, across a defocused one alike.
    sharp = cv2.dilate(small.fine, np.ones((5, 5), np.uint8)) / np.maximum(small.coarse, 0.3)
    bright = float(np.percentile(small.lab[..., 0], 95.0))
    areas = stats[1:, cv2.CC_STAT_AREA] / (height * width)
    found = []
    for i in np.argsort(-areas, kind="stable")[:_BODIES]:
        if areas[i] < _LEAST_AREA:
            break
        region = (names == i + 1).astype(np.uint8)
        colours = small.lab[region > 0]
        mean = colours.mean(axis=0)
        if mean[0] < _BLACK:
            continue
        around = (cv2.dilate(region, np.ones((9, 9), np.uint8)) > region) & (small.coarse > 1.0)
        soft = float(np.clip(2.6 - sharp[around], 0.0, 1.4).mean()) if around.sum() > 10 else 0.0
        sides = [float(side.mean()) for side in (region[1], region[-2], region[:, 1], region[:, -2])]
        w, h = stats[i + 1, cv2.CC_STAT_WIDTH], stats[i + 1, cv2.CC_STAT_HEIGHT]
        found.append(
            [
                np.log(areas[i]),
                soft,
                sum(sides) / 4.0,
                max(w / width, h / height),
                np.log(float(np.sqrt(((colours - mean) ** 2).sum(axis=1).mean())) + 1.0),
                float(np.clip((-mean[2] - 2.0) / 10.0, 0.0, 1.0)),
                float(skin_likeness(mean[None])[0]),
                float(
                    np.clip(1.0 - (bright - mean[0]) / 15.0, 0, 1)
                    * np.clip(1.5 - np.hypot(mean[1], mean[2]) / 10.0, 0, 1)
                ),
                max(sides) * (1.0 - min(sides)),
            ]
        )
    return np.array(found, dtype=np.float64).reshape(-1, len(BODY_CUES))


def fineness(small: SmallFrame) -> float:
    """How much finer than broad the light varies, octaves: log2 of two bands of a Gaussian pyramid."""
    light = np.ascontiguousarray(small.lab[..., 0])
    levels = [light] + [cv2.GaussianBlur(light, (0, 0), s) for s in (1.0, 4.0, 8.0)]
    fine, broad = (float(np.abs(levels[i] - levels[i + 1]).mean()) for i in (0, 2))
    return float(np.log2((fine + 0.05) / (broad + 0.05)))
