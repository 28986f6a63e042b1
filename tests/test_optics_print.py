"""What the eye needs of a print, and what standpoint and lens each do to far things."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from belvedere.errors import PlanError
from belvedere.geometry.camera import Camera
from belvedere.optics.perspective import (
    detail_m,
    image_size_px,
    pixels_per_degree,
    relative_size,
)
from belvedere.optics.print_size import pixels_for, print_size
from belvedere.optics.visual_acuity import (
    ppi_needed,
    resolved_mm,
)


def test_one_minute_of_arc_at_reading_distance() -> None:
    # S. F. Ray, Applied Photographic Optics: 1 minute of arc at 250 mm is 0.07 mm (cited from memory).
    assert resolved_mm(0.25) == pytest.approx(0.0727, abs=1e-4)
    assert ppi_needed(0.25) == pytest.approx(349.3, abs=0.1)
    # 3438 / distance in inches, the printers' form: 57.3 * 60 (common practice, no published source).
    assert ppi_needed(0.0254) == pytest.approx(3437.7, abs=0.1)
    assert ppi_needed(0.5) == pytest.approx(ppi_needed(0.25) / 2.0, rel=1e-12)
    # Decimal acuity 2.0 resolves half a minute (ISO 8596, cited from memory).
    assert ppi_needed(1.0, 0.5) == pytest.approx(2.0 * ppi_needed(1.0), rel=1e-6)


def test_pixels_per_degree_of_a_lens() -> None:
    # 50 mm over 36 mm and 6000 px: 8333 px, 145 a degree; twice the focal length, twice the pixels.
    assert pixels_per_degree(50.0 / 36.0 * 6000.0) == pytest.approx(145.44, abs=0.01)
    assert pixels_per_degree(2000.0) == 2.0 * pixels_per_degree(1000.0)


@given(st.floats(1.0, 3000.0), st.floats(50.0, 1e5), st.floats(100.0, 1e5))
def test_image_size_is_what_a_camera_projects(size: float, distance: float, focal_px: float) -> None:
    camera = Camera(10, 10, focal_px, (0.0, 0.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    ends, _ = camera.project(np.array([[0.0, -size / 2, distance], [0.0, size / 2, distance]]))
    assert image_size_px(size, distance, focal_px) == pytest.approx(ends[1, 1] - ends[0, 1], rel=1e-9)
    assert detail_m(distance, focal_px, image_size_px(size, distance, focal_px)) == pytest.approx(size)


@given(st.floats(300.0, 20000.0), st.floats(300.0, 20000.0), st.floats(-40.0, 400.0))
def test_proportion_belongs_to_the_standpoint_not_the_lens(short: float, long: float, walk: float) -> None:
    peak, hut = (900.0, 12000.0), (6.0, 60.0)
    proportion = relative_size(*peak, *hut, walk)
    for focal_px in (short, long):
        images = [image_size_px(size, far + walk, focal_px) for size, far in (peak, hut)]
        assert images[0] / images[1] == pytest.approx(proportion, rel=1e-12)


def test_a_walk_beyond_the_near_thing() -> None:
    with pytest.raises(PlanError, match="the near thing's distance must be a number above 0 m, not -10 m"):
        relative_size(900.0, 12000.0, 6.0, 60.0, -70.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_senseless_values_are_refused(bad: float) -> None:
    with pytest.raises(PlanError, match="viewing distance must be a number above 0 m"):
        ppi_needed(bad)
    with pytest.raises(PlanError, match="acuity must be"):
        resolved_mm(1.0, bad)
    with pytest.raises(PlanError, match="focal length must be a number above 0 pixels"):
        image_size_px(1.0, 1.0, bad)


def test_an_eye_that_sees_nothing() -> None:
    with pytest.raises(PlanError, match="below 180 degrees"):
        resolved_mm(1.0, 180 * 60.0)


def test_prints_that_cannot_be() -> None:
    with pytest.raises(PlanError, match="a picture needs at least 1 x 1 pixels, not 0 x 10"):
        print_size(0, 10)
    with pytest.raises(PlanError, match="the print's length must be a number above 0 mm, not -5 mm"):
        pixels_for(-5.0)
    with pytest.raises(PlanError, match="the print's length must be"):
        pixels_for(math.inf)
