"""Source pixels per printed inch: as the plate stretches the frames, or the picture's own pixels, said."""

from __future__ import annotations

import math

import numpy as np
import pytest

from belvedere.compose.report import (
    CoverageReport,
    FrameReport,
    LensReport,
    LevelReport,
    PlateReport,
    QualityReport,
    Report,
    ResponseReport,
    SoftwareReport,
    TimingReport,
)
from belvedere.deliver.paper_size import PrintLayout, PrintWish, lay_out
from belvedere.deliver.true_resolution import frame_pixels_per_plate_pixel, true_resolution
from belvedere.geometry.plate import Projection
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix

_FOCAL = 2000.0


def _report(projection: Projection, half_deg: float, scale: float, *, yaws_deg: tuple[float, ...]) -> Report:
    """Frames of 1000 x 1500 px turned to these yaws, on a plate half_deg wide to either side."""
    s = scale * _FOCAL
    half = math.radians(half_deg)
    width = round(2 * s * (math.tan(half) if projection == "rectilinear" else half))
    frames = tuple(
        FrameReport(
            file=f"{k}.jpg",
            exposures=(),
            used=True,
            lens=0,
            width=1000,
            height=1500,
            focal_px=_FOCAL,
            principal_point=(499.5, 749.5),
            distortion=(0.0, 0.0, 0.0),
            rotation_wxyz=quaternion_from_matrix(pose_matrix(math.radians(yaw), 0.0, 0.0).T),
        )
        for k, yaw in enumerate(yaws_deg)
    )
    height = round(scale * 1000)
    return Report(
        frames=frames,
        lenses=(LensReport(model="radial3", principal_offset_sensor_px=(0.0, 0.0)),),
        plate=PlateReport(
            projection=projection,
            width=width,
            height=height,
            pixels_per_radian=s,
            centre=((width - 1) / 2, (height - 1) / 2),
            yaw_pitch_roll_deg=(0.0, 0.0, 0.0),
        ),
        level=LevelReport(source="person", sigma_deg=0.0),
        response=ResponseReport(known_from="profile"),
        quality=QualityReport(),
        coverage=CoverageReport(covered_fraction=1.0),
        timing=TimingReport(
            decode_s=0, align_s=0, tone_s=0, compose_s=0, write_s=0, total_s=0, peak_rss_mb=0
        ),
        software=SoftwareReport(version="0"),
    )


def _print(report: Report, ppi: float = 300.0) -> PrintLayout:
    """Every plate pixel printed once."""
    return lay_out(report.plate.width, report.plate.height, PrintWish(ppi=ppi))


_FAN = tuple(range(-60, 61, 10))


def test_a_single_frame_on_its_own_plane_gives_its_pixels() -> None:
    report = _report("rectilinear", 10.0, 1.0, yaws_deg=(0,))
    found = true_resolution(_print(report), report.plate.width, report.plate.height, report)
    assert found.map == pytest.approx(300.0, rel=1e-6)
    assert found.from_frames
    assert not found.enlarges


def test_a_rectilinear_plate_stretches_its_edges() -> None:
    """Seen along a frame's axis at yaw t, the plane is 1/cos t farther across: cos t frame px per plate px.

    Along x it is cos^2 t; the coarser counts.
    """
    report = _report("rectilinear", 60.0, 1.0, yaws_deg=_FAN)
    found = true_resolution(_print(report), report.plate.width, report.plate.height, report)
    middle = found.map[found.map.shape[0] // 2]
    assert middle[0] == pytest.approx(300.0 * math.cos(math.radians(60.0)) ** 2, rel=0.01)
    assert middle[middle.size // 2] == pytest.approx(300.0, rel=1e-6)
    assert (np.diff(middle[: middle.size // 2 + 1]) > 0).mean() > 0.8  # it falls off, frame by frame
    assert found.lowest == pytest.approx(75.0, rel=0.03)
    assert found.lowest_at[0] in (0.0, 1.0)
    assert found.lowest < found.typical < found.highest


def test_a_plate_finer_than_the_frames_holds_no_more_than_they_do() -> None:
    report = _report("equirectangular", 60.0, 2.0, yaws_deg=_FAN)
    found = true_resolution(_print(report), report.plate.width, report.plate.height, report)
    assert found.map[found.map.shape[0] // 2].min() == pytest.approx(150.0, rel=0.01)


def test_a_plate_coarser_than_the_frames_is_the_limit() -> None:
    report = _report("equirectangular", 60.0, 0.5, yaws_deg=_FAN)
    found = true_resolution(_print(report), report.plate.width, report.plate.height, report)
    assert found.highest == pytest.approx(300.0)


def test_a_larger_print_has_fewer_of_them() -> None:
    report = _report("rectilinear", 10.0, 1.0, yaws_deg=(0,))
    width, height = report.plate.width, report.plate.height
    layout = lay_out(width, height, PrintWish(width_mm=width / 100.0 * 25.4, ppi=300.0))
    found = true_resolution(layout, width, height, report)
    assert found.typical == pytest.approx(100.0, rel=0.01)
    assert found.enlarges


def test_where_no_frame_looks_nothing_is_counted() -> None:
    report = _report("equirectangular", 60.0, 1.0, yaws_deg=(0,))
    share = frame_pixels_per_plate_pixel(report)
    assert share is not None
    assert np.isnan(share[:, 0]).all()
    assert not np.isnan(share[:, share.shape[1] // 2]).any()


def test_without_a_report_the_pictures_own_pixels_are_counted_and_it_is_said() -> None:
    layout = lay_out(3000, 1000, PrintWish(width_mm=254.0, ppi=300.0))
    found = true_resolution(layout, 3000, 1000, None)
    assert not found.from_frames
    assert found.lowest == found.highest == pytest.approx(300.0)
