"""A card held before the lens: plain grey, or a chart of colours; our own layout."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.demo.hand import Layer, Lighting

_WIDE, _HIGH = 720, 500
_CARD_MM = (210.0, 146.0)


def card_face(rng: np.random.Generator) -> NDArray[np.float32]:
    """Linear reflectance of a card's face (500, 720, 3): grey, or patches on a dark frame.

    The grey is 18 %: common practice, no published source.
    """
    dirt = rng.normal(0.0, 1.0, (18, 26)).astype(np.float32)
    wear = 1.0 + 0.012 * cv2.resize(dirt, (_WIDE, _HIGH), interpolation=cv2.INTER_CUBIC)[..., None]
    if rng.random() < 0.45:
        face = np.full((_HIGH, _WIDE, 3), 0.18, np.float32)
        face *= 1.0 + 0.02 * rng.normal(0.0, 1.0, face.shape[:2])[..., None]
        return np.asarray(face * wear, dtype=np.float32)
    face = np.full((_HIGH, _WIDE, 3), 0.022, np.float32)
    rows, columns = 4, 5
    gap, side_x, side_y = 14, (_WIDE - 14) // columns, (_HIGH - 14) // rows
    for row in range(rows):
        for column in range(columns):
            if row == rows - 1:
                colour = np.full(3, 0.90 * 0.42**column)
            else:
                hue = (row * columns + column * 4.0) / (columns * 3.0)
                wheel = 0.5 + 0.5 * np.cos(2.0 * math.pi * (hue - np.array([0.0, 1.0, 2.0]) / 3.0))
                colour = (0.05, 0.09, 0.25)[row] + (0.45, 0.25, 0.30)[row] * wheel**1.6
            y, x = gap + row * side_y, gap + column * side_x
            face[y : y + side_y - gap, x : x + side_x - gap] = colour
    return np.asarray(face * wear, dtype=np.float32)


def card_layer(
    width: int,
    height: int,
    centre: tuple[float, float],
    px_per_mm: float,
    lighting: Lighting,
    rng: np.random.Generator,
) -> Layer:
    """A card a little askew, `px_per_mm` pixels a mm of its face, about `centre`."""
    half = np.array(_CARD_MM) * px_per_mm / 2.0
    turn = math.radians(rng.normal(0.0, 7.0) + (90.0 if rng.random() < 0.25 else 0.0))
    slope = rng.normal(0.0, 0.05, 2)
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    corners = corners * (1.0 + corners @ slope / half.max())[:, None]
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    quad = (corners @ spin.T + np.array(centre)).astype(np.float32)
    frame = np.array([[0, 0], [_WIDE, 0], [_WIDE, _HIGH], [0, _HIGH]], np.float32) - 0.5
    face = card_face(rng)
    shrink = 2.0 * half[0] / _WIDE
    if shrink < 0.6:  # fewer pixels than the drawing has: no false detail
        face = np.asarray(cv2.GaussianBlur(face, (0, 0), 0.35 / shrink))
    matrix = cv2.getPerspectiveTransform(frame, quad)
    tilt = rng.normal(0.0, 0.25, 2)
    normal = np.array([tilt[0], tilt[1], 1.0]) / math.sqrt(1.0 + float(tilt @ tilt))
    sun = max(float(normal @ np.array(lighting.sun)), 0.0)
    level = sun * np.array(lighting.sun_light) + np.array(lighting.sky_light)
    light = cv2.warpPerspective(face * level.astype(np.float32), matrix, (width, height))
    cover = cv2.warpPerspective(np.ones((_HIGH, _WIDE), np.float32), matrix, (width, height))
    return Layer(np.asarray(light, dtype=np.float32), np.asarray(cover, dtype=np.float32)[..., None])
