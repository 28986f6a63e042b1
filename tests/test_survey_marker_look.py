"""Marker frames told from scenes by their appearance alone."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.capture.frame import Exposure
from belvedere.capture.glance import reduced_look
from belvedere.capture.metadata import read_metadata
from belvedere.demo.card_plan import plan_card
from belvedere.demo.cards import CARDS, card_light
from belvedere.demo.render import expose_light
from belvedere.survey.appearance.finger_strips import find_strips, outlines
from belvedere.survey.appearance.marker_look import MarkerLook, marker_look
from belvedere.survey.appearance.small_frame import small_frame

DATA = Path(__file__).parents[2] / "shared" / "data"
HANDS = sorted((DATA / "markers" / "hand").glob("*"))
OTHERS = DATA / "markers" / "not-hand"
SETS = sorted(path for path in (DATA / "real").glob("*") if path.is_dir())

Picture = NDArray[np.uint8]

_FINEST = 0.001  # of a drawn landscape's height: the grain is one pixel


def _look(file: Path) -> MarkerLook:
    if file.suffix.lower() == ".heic":
        pytest.importorskip("pi_heif", reason="HEIF pictures need the extra heif")
    return marker_look(reduced_look(Exposure(file, read_metadata(file)), long_side=704).image)


@pytest.mark.skipif(not HANDS, reason="needs the photographs of marker frames")
@pytest.mark.parametrize("file", HANDS, ids=lambda file: file.name)
def test_hands_are_near_objects(file: Path) -> None:
    look = _look(file)
    assert look.kind == "near-object", look
    assert look.strength > 0.5


@pytest.mark.skipif(not HANDS, reason="needs the photographs of marker frames")
def test_plain_hands_are_near_objects_for_sure() -> None:
    plain = ("palm-grey", "2_pic00010", "2_pic00095", "2_pic00187", "2_pic00209", "5_pic")
    assert min(_look(f).strength for f in HANDS if f.name.startswith(plain)) > 0.9
    assert min(_look(f).strength for f in HANDS if f.name.startswith("palm-light")) > 0.8  # pale before pale


@pytest.mark.skipif(not OTHERS.is_dir(), reason="needs the photographs of marker frames")
@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("black-frame-DSC-P12.jpg", "dark"),
        ("colour-chart-on-grey-P0004796.JPG", "chart"),
        ("dark-night-EX-S1.jpg", "scene"),
        ("plain-blue-A80.jpg", "scene"),
        ("overexposed-white-P1000240.JPG", "blank"),
    ],
)
def test_frames_without_a_hand(name: str, kind: str) -> None:
    look = _look(OTHERS / name)
    assert look.kind == kind, look
    assert (look.strength > 0.5) == (kind in ("dark", "chart"))


@pytest.mark.skipif(not SETS, reason="needs the sets of real photographs")
@pytest.mark.parametrize("folder", SETS, ids=lambda folder: folder.name)
def test_real_scenes_are_no_markers(folder: Path) -> None:
    files = sorted(f for f in folder.iterdir() if f.suffix.lower() in (".jpg", ".jpeg"))
    looks = {file.name: _look(file) for file in files}
    assert {name: look for name, look in looks.items() if look.kind != "scene"} == {}
    assert max(look.strength for look in looks.values()) < 0.5


def _shots(name: str, seed: int) -> list[tuple[str | None, Picture]]:
    shots = plan_card(CARDS[name], megapixels=0.06, seed=seed)
    wanted = [(i, shot) for i, shot in enumerate(shots) if shot.marker or i % 4 == 0]
    return [
        (shot.marker, np.asarray(expose_light(shot.spec, shot.shot, card_light(shot, seed * 1000 + i))))
        for i, shot in wanted
    ]


def test_simulated_hands_caps_and_scenes() -> None:
    shots = [*_shots("five-series", 0), *_shots("other-markers", 0), *_shots("serpentine", 1)]
    hands = [marker_look(image) for marker, image in shots if marker == "hand"]
    assert sum(look.kind != "scene" for look in hands) >= 0.8 * len(hands)
    assert all(marker_look(image).kind == "dark" for marker, image in shots if marker == "cap")
    # The card's strays are askew or shaken: of those only the geometry is sure.
    scenes = [marker_look(image) for marker, image in shots if marker is None]
    assert sum(look.kind == "scene" for look in scenes) >= len(scenes) - 1


def _landscape(
    rng: np.random.Generator, height: int = 240, width: int = 320, grain: float = 0.0125
) -> Picture:
    """Sky with soft clouds over land; its grain, in heights, is as fine as that of photographs at 160 px."""
    sky = np.linspace(0.55, 0.85, height)[:, None, None] * np.array([0.75, 0.9, 1.0])
    clouds = cv2.GaussianBlur(rng.random((height, width)), (0, 0), 12)
    detail = cv2.GaussianBlur(rng.random((height, width)), (0, 0), grain * height)
    detail = np.clip(0.5 + 0.29 * (detail - 0.5) / detail.std(), 0.0, 1.5)[..., None]
    land = np.array([0.30, 0.36, 0.18]) * (0.4 + detail * 1.2)
    line = height * 0.45 + np.cumsum(rng.normal(0, 1.0, width))
    below = (np.arange(height)[:, None] > line)[..., None]
    light = np.where(below, land, sky + 0.6 * (clouds - clouds.mean())[..., None])
    return np.asarray(np.clip(light * 255, 0, 255), dtype=np.uint8)


def _with_hand(scene: Picture, colour: tuple[int, int, int], blur: float, turn: float = 0.0) -> Picture:
    """A drawn hand, palm and four fingers and a thumb, from the lower border."""
    height, width = scene.shape[:2]
    s = height / 240
    mask = np.zeros((height, width), np.float32)
    at = np.array([0.5 * width, 0.72 * height])

    def move(x: float, y: float) -> tuple[int, int]:
        c, d = math.cos(turn), math.sin(turn)
        return round(at[0] + s * (c * x - d * y)), round(at[1] + s * (d * x + c * y))

    cv2.ellipse(mask, (move(0, 0), (s * 78, s * 88), math.degrees(turn)), 1.0, -1)
    cv2.line(mask, move(0, 20), move(0, 150), 1.0, round(s * 56))
    for x, tip, spread in ((-32, -118, -22), (-10, -140, -7), (12, -134, 8), (33, -108, 22)):
        cv2.line(mask, move(x, -20), move(x + spread, tip), 1.0, round(s * 17))
    cv2.line(mask, move(32, 8), move(82, -42), 1.0, round(s * 19))
    shade = np.linspace(1.08, 0.9, width)[None, :, None]
    mask = cv2.GaussianBlur(mask, (0, 0), blur)[..., None]
    return np.asarray(np.clip(scene * (1 - mask) + shade * np.array(colour) * mask, 0, 255), dtype=np.uint8)


_TONES = {
    "light": (224, 188, 166),
    "tan": (188, 140, 110),
    "brown": (132, 90, 66),
    "dark": (76, 52, 42),
    "grey glove": (92, 94, 98),
    "red glove": (170, 40, 44),
}


@pytest.mark.parametrize("colour", _TONES.values(), ids=_TONES.keys())
def test_a_drawn_hand_of_any_colour(colour: tuple[int, int, int]) -> None:
    scene = _landscape(np.random.default_rng(4))
    plain = marker_look(scene)
    assert plain.kind == "scene"
    for blur in (1.0, 3.0):
        look = marker_look(_with_hand(scene, colour, blur))
        assert look.kind == "near-object", (blur, look)
        assert look.strength > plain.strength + 0.3


@pytest.mark.parametrize("name", ["light", "dark"])
def test_a_drawn_hand_before_land_finer_than_photographs(name: str) -> None:
    """Such hands of colours more like the land may be missed: the brown one and the grey glove are."""
    scene = _landscape(np.random.default_rng(4), grain=_FINEST)
    for blur in (1.0, 3.0):
        assert marker_look(_with_hand(scene, _TONES[name], blur)).kind == "near-object"


def test_drawn_landscapes_finer_than_photographs_are_scenes() -> None:
    looks = [marker_look(_landscape(np.random.default_rng(seed), grain=_FINEST)) for seed in range(8)]
    assert all(look.kind == "scene" and look.strength < 0.05 for look in looks), looks


def test_drawn_landscapes_are_scenes() -> None:
    looks = [marker_look(_landscape(np.random.default_rng(seed))) for seed in range(8)]
    assert all(look.kind == "scene" and look.strength < 0.3 for look in looks), looks


def test_a_mirrored_and_a_turned_frame_look_alike() -> None:
    image = _with_hand(_landscape(np.random.default_rng(2)), _TONES["tan"], 1.0, 0.2)
    look = marker_look(image)
    for other in (image[:, ::-1], np.rot90(image), image[::-1]):
        turned = marker_look(np.ascontiguousarray(other))
        assert turned.kind == look.kind
        assert turned.strength == pytest.approx(look.strength, abs=0.1)


@pytest.mark.parametrize("height", [120, 240, 576])
def test_size_hardly_matters(height: int) -> None:
    scene = _landscape(np.random.default_rng(2), 576, 768)
    size = (height * 4 // 3, height)
    hand = cv2.resize(_with_hand(scene, _TONES["brown"], 2.0), size, interpolation=cv2.INTER_AREA)
    plain = cv2.resize(scene, size, interpolation=cv2.INTER_AREA)
    assert marker_look(np.asarray(hand, dtype=np.uint8)).kind == "near-object"
    assert marker_look(np.asarray(plain, dtype=np.uint8)).kind == "scene"


def test_a_cap_is_dark_and_a_night_with_lights_is_not() -> None:
    rng = np.random.default_rng(0)
    night = np.asarray(np.clip(rng.normal(4, 3, (240, 320, 3)), 0, 255), dtype=np.uint8)
    night[50, 60] = 255  # a hot pixel
    cap = marker_look(night)
    assert cap.kind == "dark"
    assert cap.strength > 0.8
    for x in range(20, 300, 40):
        cv2.circle(night, (x, 120), 3, (250, 220, 160), -1)
    assert marker_look(night).kind == "scene"


def test_white_is_blank() -> None:
    image = np.full((240, 320, 3), 255, np.uint8)
    image[100:140, 100:180] = 180
    look = marker_look(image)
    assert look.kind == "blank"
    assert look.strength < 0.5


def _quads(rng: np.random.Generator, *, colourful: bool) -> Picture:
    image = np.full((240, 320, 3), 120, np.uint8)
    cv2.rectangle(image, (70, 60), (250, 180), (30, 30, 30), -1)
    for row in range(4):
        for column in range(6):
            colour = rng.integers(20, 236, 3).tolist() if colourful else [176, 176, 182]
            x, y = 78 + 29 * column, 66 + 28 * row
            cv2.rectangle(image, (x, y), (x + 21, y + 21), colour, -1)
    return image


def test_a_chart_has_many_colours_and_windows_have_one() -> None:
    rng = np.random.default_rng(1)
    look = marker_look(_quads(rng, colourful=True))
    assert look.kind == "chart"
    assert look.strength > 0.8
    assert marker_look(_quads(rng, colourful=False)).kind != "chart"


def test_the_same_frame_gives_the_same_answer_and_is_left_alone() -> None:
    image = _with_hand(_landscape(np.random.default_rng(3)), _TONES["dark"], 2.0)
    before = image.copy()
    assert marker_look(image) == marker_look(image)
    assert np.array_equal(image, before)


@pytest.mark.parametrize("image", [np.zeros((160, 120), np.uint8), np.zeros((160, 120, 3), np.float32)])
def test_what_is_no_picture_is_refused(image: NDArray[np.generic]) -> None:
    with pytest.raises(ValueError, match="uint8"):
        marker_look(image)  # type: ignore[arg-type]


@pytest.mark.parametrize("turn", [0.0, 0.5, 1.3, 2.6])
def test_a_drawn_finger_is_measured(turn: float) -> None:
    image = np.full((120, 160, 3), 200, np.uint8)
    tip = np.array([80 + 30 * math.cos(turn), 60 + 30 * math.sin(turn)])
    cv2.line(image, (80, 60), tuple(np.rint(tip).astype(int).tolist()), (120, 80, 60), 11)
    cv2.circle(
        image, (round(80 - 14 * math.cos(turn)), round(60 - 14 * math.sin(turn))), 20, (120, 80, 60), -1
    )
    strips = find_strips(outlines(small_frame(image)), 160, 120)
    best = strips[0]
    # The end of the line is half its width beyond its last point.
    end = tip + 5.5 * np.array([math.cos(turn), math.sin(turn)])
    assert np.hypot(*(best[:2] - end)) < 3.0
    assert best[2] == pytest.approx(12.0, abs=2.5)  # towards the fist it widens
    assert best[4:6] @ [math.cos(turn), math.sin(turn)] > 0.97
