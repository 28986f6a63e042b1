"""A hand held before the lens: skin of any tone or a glove, in the sun, in the shade or against the light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.demo.hand_shape import SLEEVE, Pose, Relief, draw_limbs, limbs_of

# Linear reflectance of skin from very light to very deep, red, green, blue; between them by logarithms. From
# memory: of the order of what is published for skin, from 0.6 down to 0.05 in red.
_TONES = np.array(
    [[0.60, 0.40, 0.31], [0.50, 0.30, 0.21], [0.36, 0.20, 0.125], [0.21, 0.105, 0.060], [0.105, 0.050, 0.030],
     [0.050, 0.026, 0.018]]
)  # fmt: skip
_CLOTHS = np.array(
    [[0.02, 0.02, 0.022], [0.03, 0.05, 0.10], [0.16, 0.02, 0.02], [0.10, 0.11, 0.09], [0.45, 0.16, 0.02],
     [0.05, 0.09, 0.04], [0.35, 0.34, 0.30]]
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Lighting:
    """Light on something held before the lens.

    Parameters
    ----------
    sun : tuple of 3 float
        Direction towards the sun: x right, y up, z to the camera; length 1.
    sun_light, sky_light : tuple of 3 float
        Linear light of a white surface in full sun, and under the sky alone.
    """

    sun: tuple[float, float, float]
    sun_light: tuple[float, float, float]
    sky_light: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Layer:
    """Light of a thing, premultiplied, (height, width, 3), and the share it covers (height, width, 1)."""

    light: NDArray[np.float32]
    cover: NDArray[np.float32]


def pick_lighting(rng: np.random.Generator) -> Lighting:
    """Sun on it, open shade, or against the light."""
    mode = rng.random()
    side, up = rng.uniform(-math.pi, math.pi), rng.uniform(0.35, 0.95)
    if mode < 0.4:
        z, strong, sky = rng.uniform(0.2, 0.9), rng.uniform(0.7, 1.15), rng.uniform(0.14, 0.26)
    elif mode < 0.75:
        z, strong, sky = 0.5, rng.uniform(0.0, 0.06), rng.uniform(0.16, 0.42)
    else:
        z, strong, sky = rng.uniform(-0.9, -0.3), rng.uniform(0.6, 1.1), rng.uniform(0.07, 0.2)
    flat = math.sqrt(max(1.0 - z * z, 0.0))
    sun = np.array([flat * math.sin(side) * 0.8, flat * up, z])
    sun /= np.linalg.norm(sun)
    warm = rng.uniform(0.0, 0.12)
    return Lighting(
        (float(sun[0]), float(sun[1]), float(sun[2])),
        (strong, strong * (0.97 - warm * 0.5), strong * (0.90 - warm)),
        (sky * 0.92, sky, sky * 1.14),
    )


def pick_pose(rng: np.random.Generator, fat: float) -> Pose:
    """An open hand, some fingers, or a fist."""
    count = int(rng.choice([4, 4, 4, 4, 3, 2, 1, 0]))
    up = tuple(i < count for i in range(4))
    bend = rng.normal(0.0, 2.2, 4)
    return Pose(
        (up[0], up[1], up[2], up[3]),
        thumb=bool(rng.random() < (0.8 if count == 4 else 0.3)),
        spread_deg=float(rng.uniform(0.5, 3.0) if rng.random() < 0.4 else rng.uniform(6.0, 14.0)),
        bend=(float(bend[0]), float(bend[1]), float(bend[2]), float(bend[3])),
        left=bool(rng.random() < 0.5),
        fat=fat,
    )


def hand_layer(
    width: int,
    height: int,
    palm: tuple[float, float],
    turn_rad: float,
    mm_per_px: float,
    lighting: Lighting,
    rng: np.random.Generator,
) -> Layer:
    """Draw a hand whose palm's middle lies at pixel `palm`; its look comes from `rng`."""
    gloved = rng.random() < 0.3
    pose = pick_pose(rng, float(rng.uniform(1.14, 1.28)) if gloved else float(rng.uniform(0.88, 1.08)))
    back = 52.0 / mm_per_px
    wrist = (palm[0] - back * math.sin(turn_rad), palm[1] + back * math.cos(turn_rad))
    relief = draw_limbs(limbs_of(pose), width, height, wrist, turn_rad, mm_per_px)
    skin = np.clip(_tone(rng), 0.0, 1.0)
    sleeve = _CLOTHS[rng.integers(len(_CLOTHS))] * rng.uniform(0.7, 1.3)
    grain = _Grain(relief, mm_per_px, rng)
    if gloved:
        albedo, gloss, wrap = _glove(relief, grain, rng)
    else:
        albedo, gloss, wrap = _skin(relief, grain, skin, rng), 0.035, np.array([0.45, 0.22, 0.14])
    cloth = sleeve * np.exp(0.05 * grain.at(11.0) + 0.10 * grain.at(1.0))[..., None]
    albedo = np.where((relief.kind == SLEEVE)[..., None], cloth, albedo)
    light = _lit(relief, albedo, gloss, wrap, mm_per_px, lighting, 0.0 if gloved else 1.0)
    cover = np.clip(0.5 - relief.outside / mm_per_px, 0.0, 1.0)[..., None].astype(np.float32)
    return Layer(np.asarray(light * cover, dtype=np.float32), cover)


def _tone(rng: np.random.Generator) -> NDArray[np.float64]:
    """A skin tone anywhere between the lightest and the deepest."""
    at = rng.uniform(0.0, len(_TONES) - 1.0)
    k = min(int(at), len(_TONES) - 2)
    logs = np.log(_TONES[k]) + (at - k) * (np.log(_TONES[k + 1]) - np.log(_TONES[k]))
    return np.asarray(np.exp(logs + rng.normal(0.0, 0.05, 3)))


class _Grain:
    """Noise on the picture in steps of mm, drawn once a size."""

    def __init__(self, relief: Relief, mm_per_px: float, rng: np.random.Generator) -> None:
        self._shape = relief.outside.shape
        self._mm_per_px = mm_per_px
        self._rng = rng

    def at(self, size_mm: float) -> NDArray[np.float32]:
        """Smooth noise with detail of a size; standard deviation about 1, 0 where pixels are coarser."""
        cell = size_mm / self._mm_per_px
        height, width = self._shape
        rows, columns = max(2, math.ceil(height / cell) + 3), max(2, math.ceil(width / cell) + 3)
        if cell < 1.2:
            return np.zeros(self._shape, np.float32)
        noise = self._rng.normal(0.0, 1.3, (rows, columns)).astype(np.float32)
        size = (max(width, round(columns * cell)), max(height, round(rows * cell)))
        return np.asarray(cv2.resize(noise, size, interpolation=cv2.INTER_CUBIC)[:height, :width])


def _skin(
    relief: Relief, grain: _Grain, tone: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Reflectance of skin: blotches of blood, creases at the joints, fine lines."""
    blood = 0.045 * grain.at(16.0) + 0.03 * grain.at(5.0)
    tan = 0.05 * grain.at(24.0) + 0.035 * grain.at(2.2) + 0.025 * grain.at(0.8)
    albedo = tone * np.exp(
        blood[..., None] * np.array([0.25, -0.6, -0.5]) + tan[..., None] * np.array([0.7, 0.9, 1.0])
    )
    palm = rng.random() < 0.5
    wave = 0.35 * grain.at(6.0)
    crease = np.exp(-(((relief.along + wave) / (0.55 if palm else 1.6)) ** 2))
    fingers = relief.limb >= 9
    lines = np.where(fingers, crease, 0.0) * (0.30 if palm else 0.16)
    lines = lines * (1.0 if palm else 0.7 + 0.3 * np.sin(relief.along * 4.5))
    albedo = albedo * np.exp(-lines[..., None] * np.array([0.8, 1.1, 1.15]))
    if palm:  # palms are lighter, more so the deeper the tone
        albedo = albedo ** (0.90 if tone.mean() > 0.2 else 0.80)
    return np.asarray(albedo)


def _glove(
    relief: Relief, grain: _Grain, rng: np.random.Generator
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Reflectance, gloss and softness of a glove: leather, knitted wool or fleece."""
    colour = _CLOTHS[rng.integers(len(_CLOTHS))] * rng.uniform(0.7, 1.4)
    make = rng.random()
    if make < 0.4:  # leather
        folds = 0.06 * grain.at(9.0) + 0.07 * grain.at(3.0) + 0.06 * grain.at(1.0)
        return np.asarray(colour * np.exp(folds)[..., None]), 0.16, np.array([0.05, 0.05, 0.05])
    if make < 0.7:  # knitted
        wale = np.abs(np.sin(relief.across * 1.15 + 0.35 * np.sin(relief.along * 1.9)))
        course = 0.5 + 0.5 * np.sin(relief.along * 1.9)
        shade = 0.45 + 0.55 * wale * (0.6 + 0.4 * course) + 0.12 * grain.at(1.2)
        return np.asarray(colour * np.clip(shade, 0.2, 1.4)[..., None]), 0.0, np.array([0.25, 0.25, 0.25])
    fuzz = 0.12 * grain.at(0.8) + 0.09 * grain.at(2.0) + 0.04 * grain.at(14.0)
    return np.asarray(colour * np.exp(fuzz)[..., None]), 0.0, np.array([0.3, 0.3, 0.3])


def _lit(
    relief: Relief,
    albedo: NDArray[np.float64],
    gloss: float,
    wrap: NDArray[np.float64],
    mm_per_px: float,
    lighting: Lighting,
    glow: float,
) -> NDArray[np.float64]:
    """Light sent to the camera: sun softened as skin does (more for red), sky from above, hollows darker."""
    z = relief.height.astype(np.float64)
    gy, gx = np.gradient(z, mm_per_px)
    gx, gy = np.clip(gx, -4.0, 4.0), np.clip(-gy, -4.0, 4.0)
    m = 1.0 / np.sqrt(1.0 + gx * gx + gy * gy)
    normal = np.stack([-gx * m, -gy * m, m], axis=-1)
    sun = np.array(lighting.sun)
    facing = normal @ sun
    near = max(1.0, 9.0 / mm_per_px)
    inside = np.maximum(z, -2.0)
    around = cv2.GaussianBlur(inside, (0, 0), min(near, 60.0), borderType=cv2.BORDER_REPLICATE)
    hollow = np.clip(1.0 - np.maximum(around - z, 0.0) / 14.0, 0.35, 1.0)
    soft = np.clip((facing[..., None] + wrap) / (1.0 + wrap), 0.0, 1.0)
    sky = (0.62 + 0.38 * normal[..., 1]) * hollow
    light = soft * hollow[..., None] * np.array(lighting.sun_light)
    light = light + sky[..., None] * np.array(lighting.sky_light)
    out = albedo * light
    half = sun + np.array([0.0, 0.0, 1.0])
    half /= np.linalg.norm(half) + 1e-9
    shine = np.clip(normal @ half, 0.0, 1.0) ** 18 * np.clip(facing * 4.0, 0.0, 1.0)
    out = out + gloss * shine[..., None] * np.array(lighting.sun_light)
    if glow > 0.0 and sun[2] < 0.0:  # against the light thin edges let red through
        thin = np.exp(np.minimum(relief.outside, 0.0) / 1.6)
        red = np.array([0.50, 0.10, 0.04]) * np.sqrt(albedo.mean(axis=-1, keepdims=True))
        out = out + 0.6 * thin[..., None] * red * np.array(lighting.sun_light)
    return np.asarray(out)
