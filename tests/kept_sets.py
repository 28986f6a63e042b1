"""Pictures as `stitch` leaves them, with a report beside, for tests of what is delivered."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.primaries import srgb_profile
from belvedere.compose.exif_block import ExifValues
from belvedere.compose.picture_format import PictureFormat
from belvedere.compose.report import (
    CoverageReport,
    ExposureReport,
    FrameReport,
    LensReport,
    LevelReport,
    PictureReport,
    PlateReport,
    QualityReport,
    Report,
    ResponseReport,
    SoftwareReport,
    TimingReport,
    report_path,
    write_report,
)
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import encode_tile

EXIF = ExifValues(
    make="Bodymaker",
    model="Body 1",
    f_number=8.0,
    iso=100.0,
    taken=datetime(2024, 5, 6, 7, 8, 9),
    color_space=1,
    frames=3,
    frames_used=2,
)


def smooth_picture(height: int, width: int, bits: int = 16, seed: int = 0) -> NDArray[Any]:
    """Waves and noise, a ragged uncovered corner, coverage between at its border; (h, w, 4)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width]
    waves = 0.5 + 0.35 * np.sin(x / 29.0)[..., None] * np.cos(y / 17.0)[..., None] * [1.0, 0.8, -0.6]
    light = np.clip(waves + rng.normal(0.0, 0.03, (height, width, 3)), 0.0, 1.0)
    coverage = np.clip((x + 2 * y - 60 + rng.integers(0, 9, (height, width))) / 8.0, 0.0, 1.0)
    most = 2**bits - 1
    out = np.concatenate([light, coverage[..., None]], axis=2) * most + 0.5
    out = out.astype(f"u{bits // 8}")
    out[out[..., 3] == 0] = 0
    return out


def write_sources(folder: Path, count: int = 3) -> list[ExposureReport]:
    """Files that stand for frames, and what a report says of them."""
    folder.mkdir(exist_ok=True)
    exposures = []
    for i in range(count):
        data = f"frame {i}".encode() * 1000
        (folder / f"F_{i:04}.JPG").write_bytes(data)
        exposures.append(ExposureReport(file=f"F_{i:04}.JPG", sha256=hashlib.sha256(data).hexdigest()))
    return exposures


def report_of(picture: Path, width: int, height: int, exposures: list[ExposureReport], **more: Any) -> Report:
    """A report in which the last frame is left out."""
    size = {"lens": 0, "width": 4000, "height": 6000}
    used = [
        FrameReport(
            file=e.file,
            exposures=(e,),
            used=True,
            row=0,
            column=i,
            focal_px=8000.0,
            principal_point=(2000.5, 2999.0),
            distortion=(0.0, 0.0, 0.0),
            rotation_wxyz=(1.0, 0.0, 0.0, 0.0),
            gain=1.0,
            white_balance=(1.0, 1.0, 1.0),
            vignetting=(0.0, 0.0, 0.0),
            placed_by="tie-points",
            **size,  # type: ignore[arg-type]
        )
        for i, e in enumerate(exposures[:-1])
    ]
    last = exposures[-1]
    gone = FrameReport(file=last.file, exposures=(last,), used=False, reason="a hand", **size)  # type: ignore[arg-type]
    made = Report(
        frames=(*used, gone),
        lenses=(
            LensReport(
                model="radial3",
                body="Bodymaker Body 1",
                lens="Lens 85 mm f/2",
                focal_mm=85.0,
                principal_offset_sensor_px=(0.5, -1.0),
            ),
        ),
        plate=PlateReport(
            projection="cylindrical",
            width=width,
            height=height,
            pixels_per_radian=1000.0,
            centre=((width - 1) / 2, (height - 1) / 2),
            yaw_pitch_roll_deg=(0.0, 0.0, 0.0),
        ),
        level=LevelReport(source="sea-horizon", sigma_deg=0.03),
        response=ResponseReport(known_from="profile"),
        quality=QualityReport(tie_point_rms_px=0.18),
        coverage=CoverageReport(covered_fraction=0.97),
        timing=TimingReport(
            decode_s=1.0, align_s=2.0, tone_s=3.0, compose_s=4.0, write_s=5.0, total_s=95.0, peak_rss_mb=812.0
        ),
        software=SoftwareReport(version="1.0", dependencies={"numpy": "2"}),
        picture=PictureReport(file=picture.name, bits=16, file_bytes=picture.stat().st_size),
    )
    return msgspec.structs.replace(made, **more)


def stitched(
    folder: Path, pixels: NDArray[Any] | None = None, *, name: str = "bay.tif", **more: Any
) -> tuple[Path, NDArray[Any]]:
    """OUT.tif, OUT.report.json and the sources, as after a run; the picture's path and pixels."""
    codes = smooth_picture(300, 700) if pixels is None else pixels
    height, width = codes.shape[:2]
    path = folder / name
    form = PictureFormat(width, height, codes.dtype.itemsize * 8, srgb_profile(), exif=EXIF, tile=128)
    with TiledTiff(path, form) as out:
        for column, row in out.missing():
            piece = codes[row * 128 : (row + 1) * 128, column * 128 : (column + 1) * 128]
            out.put(column, row, encode_tile(piece, 128))
    exposures = write_sources(folder / "card")
    write_report(report_of(path, width, height, exposures, **more), report_path(path))
    return path, codes
