"""Sensors: checked sizes, lying and upright, and found by the camera's name."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.errors import PlanError
from belvedere.optics.camera_list import (
    HOW_TO_GIVE_PIXELS,
    ListedCamera,
    crop_answer,
    find_camera,
    installed_list,
    sensor_named,
)
from belvedere.optics.focal import FILM_DIAGONAL_MM
from belvedere.optics.sensor import Sensor, sensor_from_crop

# Invented cameras; the first two are one model name of two makers, the next a model in two aspect ratios.
INVENTED = (
    ListedCamera("Lumograf Works", "Lumograf A7", "", 1.0),
    ListedCamera("Tessar & Sons", "A7", "", 1.5),
    ListedCamera("Lumograf Works", "Lumograf P2", "16:9", 4.45),
    ListedCamera("Lumograf Works", "Lumograf P2", "4:3", 5.4),
    ListedCamera("Tessar & Sons", "Mark 400", "", 0.79),
    ListedCamera("Tessar & Sons", "Mark 40", "", 2.0),
)


def test_sensor_lying_and_upright() -> None:
    s = Sensor(36.0, 24.0, 6000, 4000)
    assert s.landscape() == (36.0, 24.0, 6000, 4000)
    assert s.upright() == (24.0, 36.0, 4000, 6000)
    assert s.pixel_pitch_mm == pytest.approx(0.006, rel=1e-12)
    assert s.diagonal_mm == pytest.approx(FILM_DIAGONAL_MM)
    assert s.megapixels == 24.0
    assert s.focal_px(50.0) == pytest.approx(50.0 / 36.0 * 6000)


@pytest.mark.parametrize(
    ("args", "sentence"),
    [
        ((-36.0, 24.0, 6000, 4000), "the sensor's width must be a number above 0 mm, not -36 mm"),
        ((36.0, math.nan, 6000, 4000), "the sensor's height must be a number above 0 mm, not nan mm"),
        ((36.0, 24.0, 0, 4000), "the sensor's width must be a number above 0 pixels, not 0 pixels"),
        ((36.0, 24.0, 6000, 4000.5), "whole number of pixels"),
        ((24.0, 36.0, 4000, 6000), "stands upright; give it lying"),
        ((36.0, 24.0, 4000, 6000), "stands upright; give it lying"),
        ((36.0, 24.0, 6000, 3375), "do not have one shape"),
        ((36.0, 24.0, 6000, 4125), "with these pixels 36 mm across go with 24.8 mm down"),
    ],
)
def test_senseless_sensors_are_refused(args: tuple[float, float, int, int], sentence: str) -> None:
    with pytest.raises(PlanError, match=sentence):
        Sensor(*args)


def test_sizes_rounded_as_data_sheets_do_are_taken() -> None:
    Sensor(23.5, 15.6, 6000, 4000)  # 0.4 % off square
    Sensor(17.3, 13.0, 5184, 3888)  # 0.2 %


@given(st.floats(0.2, 12.0), st.integers(100, 30000), st.integers(100, 30000))
def test_crop_factor_gives_its_diagonal_and_square_pixels(crop: float, w: int, h: int) -> None:
    s = sensor_from_crop(crop, w, h)
    assert s == sensor_from_crop(crop, h, w)
    assert FILM_DIAGONAL_MM / s.diagonal_mm == pytest.approx(crop, rel=1e-12)
    assert s.width_mm / s.height_mm == pytest.approx(max(w, h) / min(w, h), rel=1e-12)


@pytest.mark.parametrize(
    "name", ["Mark 400", "mark400", " MARK  400 ", "Tessar Mark 400", "tessar & sons mark 400"]
)
def test_a_name_is_found_whatever_its_case_spaces_and_maker(name: str) -> None:
    assert find_camera(INVENTED, name) is INVENTED[4]


def test_only_equal_names_are_found() -> None:
    with pytest.raises(PlanError) as told:
        find_camera(INVENTED, "Mark 4000")
    assert str(told.value) == (
        "the list of cameras has none named 'Mark 4000'; the closest are Tessar & Sons Mark 400 and Tessar & "
        "Sons Mark 40; give its name as the list has it, or the sensor in mm and in pixels"
    )
    with pytest.raises(PlanError, match="has none named 'zzzz'; give its name"):
        find_camera(INVENTED, "zzzz")
    with pytest.raises(PlanError, match="name is empty"):
        find_camera(INVENTED, "  ")


def test_one_model_of_two_makers_asks_for_the_maker() -> None:
    with pytest.raises(
        PlanError, match="several named 'A7': Lumograf A7 with crop factor 1, Tessar & Sons A7"
    ):
        find_camera(INVENTED, "A7")
    assert find_camera(INVENTED, "Lumograf A7") is INVENTED[0]
    assert find_camera(INVENTED, "tessar a7") is INVENTED[1]


def test_pixels_choose_among_aspect_ratios() -> None:
    with pytest.raises(PlanError, match="and the pixels"):
        find_camera(INVENTED, "P2")
    assert find_camera(INVENTED, "P2", (3840, 2160)) is INVENTED[2]
    assert find_camera(INVENTED, "P2", (3000, 4000)) is INVENTED[3]


def test_answer_with_and_without_pixels() -> None:
    known = crop_answer(INVENTED[0], (6000, 4000))
    assert known.sensor is not None
    assert known.doubt is None
    assert known.sensor.landscape() == pytest.approx((36.0, 24.0, 6000, 4000))
    unknown = crop_answer(INVENTED[0], None)
    assert unknown.sensor is None
    assert (unknown.width_mm, unknown.height_mm) == pytest.approx((36.0, 24.0))
    assert unknown.doubt == HOW_TO_GIVE_PIXELS + "; sides of 3:2 are assumed until then"
    # Four Thirds: 17.3 x 13.0 mm at crop factor 2 (Four Thirds standard, cited from memory).
    four_thirds = crop_answer(INVENTED[5], None)
    assert (four_thirds.width_mm, four_thirds.height_mm) == pytest.approx((17.3, 13.0), abs=0.05)
    wide = crop_answer(INVENTED[2], None)
    assert wide.width_mm / wide.height_mm == pytest.approx(16 / 9)
    assert wide.doubt == HOW_TO_GIVE_PIXELS
    with pytest.raises(PlanError, match="side of the sensor must be a number above 0 pixels, not 0"):
        crop_answer(INVENTED[0], (6000, 0))


def test_the_installed_list_answers_by_equal_name_only() -> None:
    cameras = installed_list()
    assert len(cameras) > 500
    crops: dict[str, set[float]] = {}
    for c in cameras:
        crops.setdefault(c.model.casefold(), set()).add(c.crop_factor)
    for camera in cameras[:: len(cameras) // 40]:
        if len(crops[camera.model.casefold()]) > 1:
            continue  # one name, several sensors: asked about, not guessed
        answer = sensor_named(f"{camera.maker} {camera.model}".upper(), (6000, 4000))
        assert answer.camera.crop_factor == camera.crop_factor
        assert answer.sensor is not None
    with pytest.raises(PlanError, match="has none named 'Belvedere Invented 77'"):
        sensor_named("Belvedere Invented 77")


def test_the_list_is_loaded_only_when_asked() -> None:
    code = "import sys, belvedere.optics.camera_list; sys.exit('lensfunpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
