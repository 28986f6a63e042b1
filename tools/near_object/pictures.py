"""Pictures to fit and judge the near-object weights on: photographs, hands drawn before them, variations."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Exposure
from belvedere.capture.glance import reduced_look
from belvedere.capture.metadata import read_metadata
from belvedere.demo.blur import defocused
from belvedere.demo.card_plan import plan_card
from belvedere.demo.cards import CARDS
from belvedere.demo.exposing import encode
from belvedere.demo.hand import Layer, hand_layer, pick_lighting
from belvedere.demo.marker_frames import circle_of_confusion_mm, over
from belvedere.demo.render import light_of

DATA = Path(__file__).parents[3] / "shared" / "data"
LONG_SIDE = 704  # px, as sorting looks at a frame
_DRAWN = 300  # px of the long side of what is drawn

# Where the hand is in each photograph: left, top, right, bottom in shares of its sides; read off by eye.
HAND_PLACES = {
    "2_pic00010.jpg": (0.30, 0.18, 0.66, 1.00),
    "2_pic00095.jpg": (0.50, 0.08, 0.93, 1.00),
    "2_pic00187.jpg": (0.12, 0.20, 0.45, 0.75),
    "2_pic00209.jpg": (0.26, 0.00, 0.65, 0.90),
    "35_pic00033.jpg": (0.42, 0.28, 0.68, 1.00),
    "3_pic00014.jpg": (0.40, 0.32, 0.62, 0.98),
    "3_pic00036.jpg": (0.60, 0.25, 0.78, 1.00),
    "5_pic00004.jpg": (0.02, 0.10, 0.40, 1.00),
    "palm-grey-wall-noexif.jpg": (0.22, 0.15, 0.70, 1.00),
    "palm-grey-wall-phone.jpg": (0.35, 0.25, 0.70, 1.00),
    "palm-light-wall.heic": (0.22, 0.26, 0.85, 1.00),
}

Codes = NDArray[np.uint8]
Light = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture whose answer is known.

    Parameters
    ----------
    image : ndarray (h, w, 3), uint8
        sRGB.
    cover : ndarray (h, w), float32, or None
        Share of each pixel that a near object covers; None where there is no such object.
    held_out_with : tuple of str
        Photographs or sets it shows: it is left out with each of them.
    kind : str
        "hand", "scene": a photograph; "drawn hand", "drawn scene": simulated, over a photograph or not.
    name : str
        Of the photograph, or of what was drawn.
    plain : bool
        Whether it is a photograph as it was shot.
    """

    image: Codes
    cover: NDArray[np.float32] | None
    held_out_with: tuple[str, ...]
    kind: str
    name: str
    plain: bool = True


def look(file: Path, long_side: int = LONG_SIDE) -> Codes:
    """A photograph, reduced as sorting reduces it."""
    return np.asarray(reduced_look(Exposure(file, read_metadata(file)), long_side=long_side).image)


def photographs() -> list[Picture]:
    """The hands, the scenes set by set, and the night and the blue sky, as they were shot."""
    out = []
    for name, place in HAND_PLACES.items():
        image = look(DATA / "markers" / "hand" / name)
        height, width = image.shape[:2]
        cover = np.zeros((height, width), np.float32)
        x0, y0, x1, y1 = (round(share * side) for share, side in zip(place, (width, height) * 2, strict=True))
        cover[y0:y1, x0:x1] = 1.0
        out.append(Picture(image, cover, (name,), "hand", name))
    for name in ("dark-night-EX-S1.jpg", "plain-blue-A80.jpg"):
        out.append(Picture(look(DATA / "markers" / "not-hand" / name), None, (name,), "scene", name))
    for folder in sorted(p for p in (DATA / "real").iterdir() if p.is_dir()):
        for file in sorted(folder.iterdir()):
            out.append(Picture(look(file), None, (folder.name,), "scene", f"{folder.name}/{file.name}"))
    return out


def others() -> list[Picture]:
    """Photographs by other hands that nothing is fitted on."""
    files = sorted((DATA / "raw" / "jpeg-makers").iterdir())
    return [Picture(look(f), None, (f.name,), "scene", f.name) for f in files]


def variations(picture: Picture, count: int) -> Iterator[Picture]:
    """A photograph as another camera would have shot it."""
    rng = np.random.default_rng([zlib.crc32(picture.name.encode()), 1])
    for _ in range(count):
        yield varied(picture, rng)


def varied(picture: Picture, rng: np.random.Generator) -> Picture:
    """Cropped, mirrored, of other white balance, exposure and contrast, a little blurred, and compressed."""
    height, width = picture.image.shape[:2]
    share = rng.uniform(0.8, 1.0)
    h, w = round(height * share), round(width * share)
    y, x = int(rng.integers(0, height - h + 1)), int(rng.integers(0, width - w + 1))
    part = np.s_[y : y + h, x : x + w]
    light = linear(picture.image[part])
    cover = None if picture.cover is None else picture.cover[part]
    if rng.random() < 0.5:
        light, cover = light[:, ::-1], None if cover is None else cover[:, ::-1]
    if rng.random() < 0.3:
        light = defocused(np.ascontiguousarray(light), rng.uniform(0.5, 5.0) * max(w, h) / 700.0)
    gains = balance(rng) * 2.0 ** rng.uniform(-1.2, 0.8)
    codes = to_codes(light * gains, rng.uniform(-0.3, 0.6))
    return replace(picture, image=compressed(codes, int(rng.integers(55, 95))), cover=cover, plain=False)


def balance(rng: np.random.Generator) -> Light:
    """Factors of red, green and blue: another white balance."""
    warm, tint = rng.normal(0.0, 0.2), rng.normal(0.0, 0.05)
    return np.exp(np.array([warm, tint, -warm])).astype(np.float32)


def drawn_hands(scenes: list[Picture], count: int, seed: int) -> list[Picture]:
    """Hands and gloves of the simulator before scenes, at all sizes, places and blurs."""
    rng = np.random.default_rng([seed, 2])
    out = []
    for _ in range(count):
        scene = scenes[int(rng.integers(len(scenes)))]
        height, width = scene.image.shape[:2]
        scale = _DRAWN / max(height, width)
        size = (round(width * scale), round(height * scale))
        light = linear(cv2.resize(scene.image, size, interpolation=cv2.INTER_AREA))
        light = light * np.float32(2.0 ** rng.uniform(-0.5, 0.5))
        layer, behind = _hand(light.shape[1], light.shape[0], rng)
        before = over(defocused(light, behind), layer)
        codes = to_codes(before * balance(rng) * 2.0 ** rng.uniform(-0.7, 0.5), rng.uniform(-0.2, 0.6))
        image = compressed(codes, int(rng.integers(65, 95)))
        cover = np.ascontiguousarray(layer.cover[..., 0])
        if cover.mean() < 0.015:
            continue
        name = f"hand {len(out)}"
        out.append(Picture(image, cover, scene.held_out_with, "drawn hand", name, plain=False))
    return out


def _hand(width: int, height: int, rng: np.random.Generator) -> tuple[Layer, float]:
    """A hand from any side, and the blur disc in px of the scene behind it."""
    short = min(width, height)
    focal_mm = float(rng.choice([18.0, 24.0, 35.0, 50.0, 85.0]))
    px_per_mm = max(width, height) / 36.0
    share = float(np.exp(rng.uniform(np.log(0.16), np.log(1.5))))  # of the short side that a palm takes
    mm_per_px = 85.0 / (share * short)
    distance = max(70.0, mm_per_px * focal_mm * px_per_mm)
    focus = np.inf if rng.random() < 0.5 else max(distance, 9.0 * focal_mm)
    blur = min(circle_of_confusion_mm(focal_mm, focus, distance) * px_per_mm, 0.25 * share * short)
    behind = min(circle_of_confusion_mm(focal_mm, focus, np.inf) * px_per_mm, 0.08 * short)
    turn = np.radians(rng.choice([0.0, 0.0, 0.0, 75.0, -75.0, 160.0]) + rng.normal(0.0, 18.0))
    palm = (width * rng.uniform(0.2, 0.8), height * rng.uniform(0.25, 0.8))
    layer = hand_layer(width, height, palm, float(turn), mm_per_px, pick_lighting(rng), rng)
    cover = defocused(np.ascontiguousarray(layer.cover[..., 0]), blur)
    return Layer(defocused(layer.light, blur), np.clip(cover, 0.0, 1.0)[..., None]), behind


def drawn_scenes(seeds: tuple[int, ...], every: int = 3) -> list[Picture]:
    """Frames of the simulator's cards without anything before the lens."""
    out = []
    for seed in seeds:
        for name, card in CARDS.items():
            shots = [s for s in plan_card(card, megapixels=0.05, seed=seed) if s.marker is None]
            for k in range(seed % every, len(shots), every):
                rng = np.random.default_rng([seed, k, 3])
                light = light_of(shots[k].spec, shots[k].shot)
                codes = to_codes(light * balance(rng) * 2.0 ** rng.uniform(-0.8, 0.8), rng.uniform(-0.2, 0.6))
                what = f"{name} {k}"
                out.append(Picture(compressed(codes, 85), None, (), "drawn scene", what, plain=False))
    return out


def walls(count: int, seed: int) -> list[Picture]:
    """Plain walls with a door, a frame or a window: what lies behind hands indoors, and no marker itself."""
    rng = np.random.default_rng([seed, 4])
    out = []
    for k in range(count):
        width, height = (300, 220) if rng.random() < 0.6 else (220, 300)
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        angle = rng.uniform(0.0, 2.0 * np.pi)
        shade = 1.0 + rng.uniform(0.0, 0.5) * (
            (x / width - 0.5) * np.cos(angle) + (y / height - 0.5) * np.sin(angle)
        )
        light = shade[..., None] * rng.uniform(0.15, 0.8) * np.exp(rng.normal(0.0, 0.08, 3))
        for _ in range(int(rng.integers(0, 7))):
            w, h = rng.uniform(0.04, 0.5) * width, rng.uniform(0.04, 0.9) * height
            x0, y0 = rng.uniform(-0.2, 1.0) * width, rng.uniform(-0.2, 1.0) * height
            inside = (x > x0) & (x < x0 + w) & (y > y0) & (y < y0 + h)
            light[inside] = rng.uniform(0.02, 0.9) * np.exp(rng.normal(0.0, 0.3, 3))
        light = light * np.exp(0.03 * rng.normal(size=(height, width, 1)))
        light = defocused(np.asarray(light, dtype=np.float32), float(rng.uniform(0.5, 4.0)))
        codes = compressed(to_codes(light * balance(rng), 0.2), 85)
        out.append(Picture(codes, None, (), "drawn scene", f"wall {k}", plain=False))
    return out


def linear(codes: Codes) -> Light:
    """Linear light of sRGB codes (IEC 61966-2-1)."""
    c = np.arange(256) / 255.0
    curve = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)
    return np.asarray(curve[codes])


def to_codes(light: Light, contrast: float = 0.0) -> Codes:
    """sRGB codes of linear light, with an S-curve."""
    return np.rint(255.0 * encode(light, contrast)).astype(np.uint8)


def compressed(codes: Codes, quality: int) -> Codes:
    """Written as JPEG and read again."""
    _, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(codes[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
