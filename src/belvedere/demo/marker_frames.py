"""Marker frames: what a camera sees when its owner wants to tell one series from the next."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.demo.blur import defocused, moved
from belvedere.demo.faults import BASE_F_NUMBER
from belvedere.demo.hand import Layer, hand_layer, pick_lighting
from belvedere.demo.marker_card import card_layer
from belvedere.demo.marker_ground import boots, ground_light

MarkerKind = Literal["hand", "cap", "ground", "card"]


def marker_light(
    kind: MarkerKind, light: NDArray[np.float32], focal_mm: float, px_per_mm: float, seed: int
) -> NDArray[np.float32]:
    """The light of a marker frame.

    Parameters
    ----------
    kind : MarkerKind
        What is before the lens.
    light : ndarray of shape (height, width, 3), float32
        The scene behind it, scene-linear, as displayed.
    focal_mm : float
        Focal length, mm.
    px_per_mm : float
        Pixels a mm on the sensor.
    seed : int
        Every look follows from it.

    Returns
    -------
    light : ndarray of shape (height, width, 3), float32
    """
    rng = np.random.default_rng([seed, 0x3AF])
    if kind == "cap":
        return _cap(light, rng)
    if kind == "ground":
        return _ground(light, focal_mm, px_per_mm, rng)
    if kind == "card":
        return _card(light, focal_mm, px_per_mm, rng)
    return _hand(light, focal_mm, px_per_mm, rng)


def circle_of_confusion_mm(focal_mm: float, focus_mm: float, distance_mm: float) -> float:
    """Diameter of the blur disc on the sensor of a point at a distance, mm.

    f^2 / (N (s - f)) |d - s| / d for a thin lens focused at s; inf is a distance, too.
    """
    if math.isinf(focus_mm):
        return focal_mm**2 / BASE_F_NUMBER / distance_mm
    far = 1.0 if math.isinf(distance_mm) else abs(distance_mm - focus_mm) / distance_mm
    return focal_mm**2 / (BASE_F_NUMBER * (focus_mm - focal_mm)) * far


def _hand(
    light: NDArray[np.float32], focal_mm: float, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """A hand comes in from a side; focus stayed on the scene, or went after the hand as far as it can."""
    height, width = light.shape[:2]
    short = min(width, height)
    share = rng.uniform(0.42, 0.95) if rng.random() < 0.85 else rng.uniform(1.1, 1.9)
    distance = float(np.clip(85.0 * focal_mm * px_per_mm / (share * short), 70.0, 620.0))
    focus = _focus(distance, focal_mm, rng)
    blur = circle_of_confusion_mm(focal_mm, focus, distance) * px_per_mm
    behind = circle_of_confusion_mm(focal_mm, focus, math.inf) * px_per_mm
    from_side = math.radians(float(rng.choice([0.0, 0.0, 0.0, 75.0, -75.0, 160.0]) + rng.normal(0.0, 16.0)))
    palm = (width * rng.uniform(0.36, 0.64), height * rng.uniform(0.38, 0.66))
    shrink = max(1, int(blur / 6.0))
    small = (max(8, width // shrink), max(8, height // shrink))
    layer = hand_layer(
        small[0], small[1], (palm[0] * small[0] / width, palm[1] * small[1] / height), from_side,
        distance / focal_mm / px_per_mm * width / small[0], pick_lighting(rng), rng,
    )  # fmt: skip
    scene = defocused(light, behind)
    if rng.random() < 0.25:  # the hand is on its way
        layer = _each(layer, lambda a: moved(a, 0.03 * small[0], math.degrees(from_side) + 90.0))
    return over(scene, _each(layer, lambda a: _sized(defocused(a, blur * small[0] / width), width, height)))


def _ground(
    light: NDArray[np.float32], focal_mm: float, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """The camera tipped down: sharp where it focused anew, else as blurred as focus far away makes it."""
    height, width = light.shape[:2]
    seen = ground_light(width, height, focal_mm * px_per_mm, rng)
    if focal_mm < 60.0 and rng.random() < 0.6:
        seen = boots(seen, rng)
    if rng.random() < 0.6:
        seen = defocused(seen, circle_of_confusion_mm(focal_mm, math.inf, 1700.0) * px_per_mm)
    if rng.random() < 0.35:
        seen = moved(seen, width * rng.uniform(0.01, 0.05), rng.uniform(0.0, 180.0))
    return seen


def _card(
    light: NDArray[np.float32], focal_mm: float, px_per_mm: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """A card held up by a hand from below."""
    height, width = light.shape[:2]
    share = rng.uniform(0.5, 1.25)
    distance = float(np.clip(210.0 * focal_mm * px_per_mm / (share * width), 250.0, 1400.0))
    focus = math.inf if rng.random() < 0.5 else max(distance, 9.0 * focal_mm)
    blur = circle_of_confusion_mm(focal_mm, focus, distance) * px_per_mm
    scale = focal_mm * px_per_mm / distance
    lighting = pick_lighting(rng)
    centre = (width * rng.uniform(0.42, 0.58), height * rng.uniform(0.40, 0.58))
    grip = (centre[0] + rng.uniform(-40.0, 40.0) * scale, centre[1] + 115.0 * scale)
    turn = math.radians(rng.normal(0.0, 14.0))
    hand = hand_layer(width, height, grip, turn, 1.0 / scale, lighting, rng)
    card = card_layer(width, height, centre, scale, lighting, rng)
    scene = defocused(light, circle_of_confusion_mm(focal_mm, focus, math.inf) * px_per_mm)
    for layer in (hand, card):
        scene = over(scene, _each(layer, lambda a: defocused(a, blur)))
    return scene


def _focus(distance_mm: float, focal_mm: float, rng: np.random.Generator) -> float:
    """Where the lens is focused, mm: locked far away, or after what came before it.

    No nearer than 9 focal lengths: common practice, no published source.
    """
    mode = rng.random()
    if mode < 0.5:
        return math.inf
    if mode < 0.75:
        return float(focal_mm * rng.uniform(15.0, 60.0))
    return max(distance_mm, 9.0 * focal_mm)


def over(scene: NDArray[np.float32], layer: Layer) -> NDArray[np.float32]:
    """A layer before the scene."""
    return np.asarray(scene * (1.0 - layer.cover) + layer.light, dtype=np.float32)


def _each(layer: Layer, change: Callable[[NDArray[np.float32]], NDArray[np.float32]]) -> Layer:
    cover = change(np.ascontiguousarray(layer.cover[..., 0]))
    return Layer(change(layer.light), np.clip(cover, 0.0, 1.0)[..., None])


def _sized(values: NDArray[np.float32], width: int, height: int) -> NDArray[np.float32]:
    if values.shape[:2] == (height, width):
        return values
    return np.maximum(cv2.resize(values, (width, height), interpolation=cv2.INTER_CUBIC), 0.0)


def _cap(light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """The cap on: nothing, but for a little light that creeps in at its rim."""
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    side = rng.uniform(0.0, 2.0 * math.pi)
    reach = (x / width - 0.5) * math.cos(side) + (y / height - 0.5) * math.sin(side)
    leak = rng.uniform(0.0, 0.006) * np.exp((reach - 0.6) * rng.uniform(4.0, 12.0))
    return np.asarray(1e-4 + leak[..., None] * np.array([1.0, 0.75, 0.55]), dtype=np.float32)
