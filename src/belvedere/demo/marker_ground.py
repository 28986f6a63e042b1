"""The ground at the photographer's feet: gravel or grass, boots, seen by a camera that was tipped down."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

_CANVAS = 1100  # px across the patch of ground that is drawn
_EYE_M = 1.5

Light = NDArray[np.float32]


def ground_light(width: int, height: int, focal_px: float, rng: np.random.Generator) -> Light:
    """The light of a frame (height, width, 3) that shows the ground, everything sharp."""
    pitch = math.radians(rng.uniform(-82.0, -52.0))
    roll = math.radians(rng.normal(0.0, 9.0))
    half = math.hypot(width, height) / 2.0 / focal_px
    far = _EYE_M / math.tan(max(-pitch - math.atan(half), math.radians(14.0)))
    near = _EYE_M / math.tan(min(-pitch + math.atan(half), math.radians(175.0)))
    span = 1.25 * max(far - near, 2.0 * half * math.hypot(_EYE_M, far))
    canvas = _gravel(span, rng) if rng.random() < 0.5 else _grass(span, rng)
    canvas *= _shade(rng)[..., None]
    return _seen(canvas, span, (far + near) / 2.0, width, height, focal_px, pitch, roll)


def boots(light: Light, rng: np.random.Generator) -> Light:
    """The toes of two boots at the lower edge, out of focus as little as the ground is."""
    height, width = light.shape[:2]
    out = light.copy()
    colour = np.array([[0.06, 0.035, 0.02], [0.02, 0.02, 0.022], [0.13, 0.09, 0.05]])[rng.integers(3)]
    size = width * rng.uniform(0.10, 0.15)
    middle, reach = width * rng.uniform(0.4, 0.6), height * rng.uniform(0.80, 0.92)
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    for side in (-1.0, 1.0):
        lean = side * rng.uniform(0.05, 0.22)
        u = (x - middle - side * size * rng.uniform(1.1, 1.35) + (y - reach) * -lean) / size
        v = (y - reach) / (size * 1.15)
        toe = np.where(v < 0.55, u * u + np.minimum(v - 0.55, 0.0) ** 2, u * u)
        bulge = np.sqrt(np.clip(1.0 - toe, 0.0, 1.0))
        lit = 0.25 + 0.55 * bulge - 0.18 * u + 0.12 * np.clip(-v, 0.0, 1.0)
        seam = np.exp(-(((v - 0.75 + 0.35 * u * u) / 0.05) ** 2)) * 0.5
        lace = np.exp(-(((np.mod(v, 0.34) - 0.17 + 0.05 * u) / 0.035) ** 2)) * (v > 1.0) * (np.abs(u) < 0.4)
        body = colour * np.maximum(lit * (1.0 - seam), 0.02)[..., None] + lace[..., None] * 0.10
        sole = np.clip((1.13 - np.sqrt(toe)) * size + 0.5, 0.0, 1.0)[..., None]
        upper = np.clip((1.0 - np.sqrt(toe)) * size + 0.5, 0.0, 1.0)[..., None]
        shadow = np.exp(-((np.maximum(np.sqrt(toe) - 1.0, 0.0) / 0.3) ** 2))[..., None]
        out = out * (1.0 - 0.55 * shadow)
        out = out * (1.0 - sole) + sole * 0.02
        out = out * (1.0 - upper) + upper * body
    return np.asarray(out, dtype=np.float32)


def _seen(
    canvas: Light,
    span: float,
    middle: float,
    width: int,
    height: int,
    focal_px: float,
    pitch: float,
    roll: float,
) -> Light:
    """A patch of ground `span` m across, its middle `middle` m ahead, through the camera."""
    c, s = math.cos(roll), math.sin(roll)
    spin = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    c, s = math.cos(pitch), math.sin(pitch)
    tip = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])  # world (x right, y down, z ahead) to camera
    inner = np.array(
        [[focal_px, 0.0, (width - 1) / 2.0], [0.0, focal_px, (height - 1) / 2.0], [0.0, 0.0, 1.0]]
    )
    per = span / _CANVAS
    plane = np.array(
        [[per, 0.0, -span / 2.0], [0.0, 0.0, _EYE_M], [0.0, -per, span / 2.0 + middle]]
    )  # canvas px to world m
    matrix = inner @ spin @ tip @ plane
    return np.asarray(
        cv2.warpPerspective(
            canvas, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
        ),
        dtype=np.float32,
    )


def _noise(cell: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Smooth noise on the canvas, detail of `cell` px, standard deviation about 1."""
    n = max(3, math.ceil(_CANVAS / cell) + 3)
    field = rng.normal(0.0, 1.3, (n, n)).astype(np.float32)
    side = max(_CANVAS, round(n * cell))
    return np.asarray(cv2.resize(field, (side, side), interpolation=cv2.INTER_CUBIC)[:_CANVAS, :_CANVAS])


def _shade(rng: np.random.Generator) -> NDArray[np.float32]:
    """Sun, open shade, or sun in patches."""
    level = np.float32(rng.uniform(0.6, 1.9))
    if rng.random() < 0.5:
        return np.full((_CANVAS, _CANVAS), level, np.float32)
    patch = 1.0 / (1.0 + np.exp(-4.0 * _noise(_CANVAS / 4.0, rng)))
    return np.asarray(level * (0.3 + 0.7 * patch), dtype=np.float32)


def _gravel(span: float, rng: np.random.Generator) -> Light:
    """Stones of several sizes on each other: every stone the neighbourhood of a point, rounded, lit askew."""
    out = np.full((_CANVAS, _CANVAS, 3), 0.10, np.float32) * np.array([1.1, 1.0, 0.85], np.float32)
    ground = np.array([0.24, 0.215, 0.18]) * rng.uniform(0.7, 1.3)
    sun = rng.uniform(0.0, 2.0 * math.pi)
    for size_m, share in ((0.006, 1.0), (0.016, 0.8), (0.035, 0.35)):
        size = size_m / span * _CANVAS
        if size < 1.6:
            out *= np.exp(0.25 * _noise(1.6, rng))[..., None]
            continue
        count = int((_CANVAS / size) ** 2)
        seeds = np.full((_CANVAS, _CANVAS), 255, np.uint8)
        seeds[rng.integers(0, _CANVAS, count), rng.integers(0, _CANVAS, count)] = 0
        distance, labels = cv2.distanceTransformWithLabels(
            seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        picked = rng.random(count + 1) < share
        tone = rng.normal(0.0, 0.28, count + 1)
        radius = size * rng.uniform(0.38, 0.62, count + 1)
        r = distance / radius[labels].astype(np.float32)
        dome = np.sqrt(np.clip(1.0 - r * r, 0.0, 1.0)).astype(np.float32)
        dome += 0.05 * _noise(max(1.5, size / 5.0), rng)
        gy, gx = np.gradient(dome, 1.0 / size)
        lit = np.clip(0.62 + 0.22 * (gx * math.cos(sun) + gy * math.sin(sun)), 0.08, 1.25)
        hue = np.stack([0.05 * tone, np.zeros_like(tone), -0.12 * tone], axis=-1)
        colour = (ground * np.exp(tone[:, None] + hue))[labels]
        cover = np.clip((1.0 - r) * size * 0.5, 0.0, 1.0) * picked[labels]
        below = out * (1.0 - 0.5 * np.clip(1.3 - r, 0.0, 1.0) * picked[labels])[..., None]
        out = (below * (1.0 - cover[..., None]) + (colour * lit[..., None]) * cover[..., None]).astype(
            np.float32
        )
    return out


def _grass(span: float, rng: np.random.Generator) -> Light:
    """Blades over dark soil, lower ones in the shade of upper ones."""
    soil = (
        np.array([0.055, 0.045, 0.028]) * np.exp(0.3 * _noise(9.0, rng) + 0.2 * _noise(2.0, rng))[..., None]
    )
    out = np.ascontiguousarray(soil, dtype=np.float32)
    dry = rng.uniform(0.05, 0.5)
    blade = 0.09 / span * _CANVAS
    thick = 0.0035 / span * _CANVAS
    count = int(min(14000, 60.0 * (_CANVAS / max(blade, 6.0)) ** 2))
    tufts = np.clip(0.6 + 0.4 * _noise(3.0 * max(blade, 10.0), rng), 0.05, 1.3)
    for i in range(count):
        x, y = rng.uniform(-20.0, _CANVAS + 20.0, 2)
        spot = tufts[min(max(int(y), 0), _CANVAS - 1), min(max(int(x), 0), _CANVAS - 1)]
        if rng.random() > spot:
            continue
        turn, length = rng.uniform(0.0, 2.0 * math.pi), max(blade, 5.0) * rng.uniform(0.4, 1.3)
        bow = rng.normal(0.0, 0.25) * length
        dx, dy = math.cos(turn), math.sin(turn)
        t = np.linspace(0.0, 1.0, 6)
        points = np.stack(
            [x + dx * t * length - dy * bow * t * t, y + dy * t * length + dx * bow * t * t], axis=-1
        )
        straw = rng.random() < dry
        base = np.array([0.30, 0.25, 0.12] if straw else [0.10, 0.19, 0.035]) * rng.uniform(0.6, 1.5)
        colour = base * (0.35 + 0.65 * i / count)
        cv2.polylines(
            out, [np.rint(points * 16.0).astype(np.int32)], False, tuple(float(c) for c in colour),
            max(1, round(thick * rng.uniform(0.6, 1.4))), cv2.LINE_8, 4,
        )  # fmt: skip
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 0.7), dtype=np.float32)
