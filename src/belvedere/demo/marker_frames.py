"""Marker frames: what a camera sees when its owner wants to tell one series from the next."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.demo.blur import defocused

MarkerKind = Literal["hand", "cap", "ground", "card"]


def marker_light(
    kind: MarkerKind, light: NDArray[np.float32], focal_mm: float, px_per_mm: float, seed: int
) -> NDArray[np.float32]:
    """Provisional."""
    rng = np.random.default_rng([seed, 0x3AF])
    h, w = light.shape[:2]
    if kind == "cap":
        return np.full_like(light, 2e-4)
    mask = np.zeros((h, w), np.float32)
    for k in range(4):
        x = int(w * (0.2 + 0.2 * k + rng.uniform(-0.03, 0.03)))
        cv2.line(mask, (x, h), (x + int(rng.uniform(-40, 40)), int(h * rng.uniform(0.15, 0.35))), 1.0, w // 8)
    mask = defocused(mask, w * 0.05)[..., None]
    skin = np.array([0.40, 0.24, 0.17], np.float32) * np.float32(rng.uniform(0.15, 1.2))
    return np.asarray(light * (1 - mask) + mask * skin, dtype=np.float32)
