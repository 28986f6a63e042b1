"""Coverage and holes against sets with known gaps."""

from __future__ import annotations

import numpy as np
import pytest

from belvedere.compose.coverage import measure_coverage
from belvedere.compose.layout import choose_plate
from belvedere.geometry.camera import Camera
from compose_scene import camera


def rows(missing: tuple[int, int] | None = None, columns: int = 6, turn: float = 36.0) -> list[Camera]:
    """Three rows, one frame left out."""
    return [camera(c * turn, (1 - r) * 26.0) for r in range(3) for c in range(columns) if (r, c) != missing]


def test_covered_fraction_is_that_of_the_pixels() -> None:
    cameras = [camera(-14), camera(14, 5, 3)]
    plate, _ = choose_plate(cameras)
    y, x = np.mgrid[0 : plate.height, 0 : plate.width]
    rays = plate.directions(np.stack([x, y], axis=-1))
    truth = np.any([c.project(rays)[1] for c in cameras], axis=0).mean()
    found = measure_coverage(plate, cameras)
    assert found.covered_fraction == pytest.approx(truth, abs=0.005)
    assert found.holes == ()


@pytest.mark.parametrize("columns", [5, 10])
def test_whole_grids_have_no_holes(columns: int) -> None:
    cameras = rows(columns=columns)
    plate, _ = choose_plate(cameras)
    assert measure_coverage(plate, cameras).holes == ()


@pytest.mark.parametrize("missing", [(1, 2), (0, 2), (2, 3)])
def test_a_missing_frame_is_a_hole(missing: tuple[int, int]) -> None:
    cameras = rows(missing)
    plate, _ = choose_plate(cameras)
    (hole,) = measure_coverage(plate, cameras).holes
    gone = camera(missing[1] * 36.0, (1 - missing[0]) * 26.0)
    assert hole.yaw_deg == pytest.approx(missing[1] * 36.0, abs=10.0)
    assert hole.pitch_deg == pytest.approx((1 - missing[0]) * 26.0, abs=12.0)
    x, y = plate.points(gone.rays([[(gone.width - 1) / 2, (gone.height - 1) / 2]]))[0]
    assert hole.plate_rect.x0 <= x < hole.plate_rect.x1
    assert hole.plate_rect.y0 <= y < hole.plate_rect.y1


def test_a_hole_at_the_wrap_is_one_hole() -> None:
    for gone in range(0, 10, 3):
        cameras = rows((1, gone), columns=10)
        plate, _ = choose_plate(cameras)
        assert plate.wraps
        (hole,) = measure_coverage(plate, cameras).holes
        assert np.cos(np.radians(hole.yaw_deg - gone * 36.0)) > np.cos(np.radians(2.0))
        assert 0 <= hole.plate_rect.x0 < plate.width
        assert hole.plate_rect.x1 - hole.plate_rect.x0 < 0.2 * plate.width


def test_a_gap_right_across_a_row_is_a_hole() -> None:
    cameras = [camera(y) for y in (0, 30, 60, 120, 150)]
    plate, _ = choose_plate(cameras)
    (hole,) = measure_coverage(plate, cameras).holes
    assert hole.yaw_deg == pytest.approx(90.0, abs=1.0)


def test_no_cameras_no_holes() -> None:
    plate, _ = choose_plate([camera(0)])
    assert measure_coverage(plate, []).covered_fraction == 0.0
