"""Frames that were never shot: where the report says they are missing."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from belvedere.align.alignment import Alignment, Level, Placement
from belvedere.align.rows import rows_and_columns, with_columns_open
from belvedere.cli.main import run
from belvedere.demo.sets import render_set
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix
from belvedere.pipeline.grid_place import empty_place, missing_at_ends

STEP, ROW = 0.3, 0.4


def camera(row: int, column: int) -> Camera:
    q = quaternion_from_matrix(pose_matrix(STEP * column, -ROW * row, 0.0).T)
    return Camera(600, 800, 1300.0, (299.5, 399.5), (0.0, 0.0, 0.0), q)


def aligned(missing: set[tuple[int, int]], rows: int = 3, columns: int = 5) -> Alignment:
    cells = [(r, c) for r in range(rows) for c in range(columns) if (r, c) not in missing]
    cameras = [camera(*cell) for cell in cells]
    places = with_columns_open(rows_and_columns(cameras), cameras)
    placements = [Placement(0, c, *place) for c, place in zip(cameras, places, strict=True)]
    return Alignment(tuple(placements), (), (), Level("pan-axis", 0.01, ""), (), 0.0)


@pytest.mark.parametrize("gone", [(1, 2), (0, 1), (2, 3)])
def test_a_missing_frame_leaves_its_column_open(gone: tuple[int, int]) -> None:
    found = aligned({gone})
    assert gone not in {(p.row, p.column) for p in found.frames}
    assert len({(p.row, p.column) for p in found.frames}) == 14
    assert empty_place(found, np.degrees(STEP * gone[1]), np.degrees(-ROW * gone[0])) == gone
    assert missing_at_ends(found) == ()


@pytest.mark.parametrize("gone", [(0, 0), (2, 4), (1, 0)])
def test_a_frame_missing_at_the_end_of_a_row_is_found_by_the_others(gone: tuple[int, int]) -> None:
    ((row, column, where),) = missing_at_ends(aligned({gone}))
    assert (row, column) == gone
    np.testing.assert_allclose(where.rotation, camera(*gone).rotation, atol=0.05)


def test_rows_of_their_own_length_lack_nothing() -> None:
    assert missing_at_ends(aligned({(0, 0), (0, 1), (1, 0)})) == ()  # no two rows begin alike
    assert missing_at_ends(aligned({(1, 4)}, rows=2)) == ()


def test_the_report_places_a_hole_and_the_run_ends_with_3(tmp_path: Path) -> None:
    """A frame never shot, in the middle of the grid: not a failure, but told with its place."""
    render_set("rows-3x5", tmp_path / "set", megapixels=0.3, omit=((1, 2),), scatter_deg=0.1)
    out = tmp_path / "a.tif"
    assert run(["stitch", str(tmp_path / "set"), "--out", str(out)]) == 3
    report = json.loads(out.with_name("a.report.json").read_text(encoding="utf-8"))
    assert all(f["used"] for f in report["frames"])
    (hole,) = report["coverage"]["holes"]
    assert (hole["row"], hole["column"]) == (1, 2)
    assert abs(hole["yaw_deg"]) < 2.0
    assert abs(hole["pitch_deg"] + 6.0) < 3.0
    x0, y0, x1, y1 = hole["plate_rect"]
    width, height = report["plate"]["width"], report["plate"]["height"]
    assert 0.3 * width < (x0 + x1) / 2 < 0.7 * width
    assert 0.3 * height < (y0 + y1) / 2 < 0.7 * height
