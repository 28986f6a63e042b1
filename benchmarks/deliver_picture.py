"""A picture of any size as `belvedere stitch` leaves it, made tile by tile, with its report beside it.

Soft slopes, detail whose energy falls as 1/f (a texture of 2,048 px over and over), noise of its own in every
tile, ragged where nothing was photographed. The same size gives the same picture.
"""

from __future__ import annotations

import hashlib
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.primaries import wide_profile
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
from belvedere.geometry.rotation import pose_matrix, quaternion_from_matrix
from benchmarks.sets import processors

_TILE = 512
_TEXTURE = 2048
_NOISE = 200.0  # of 65,535, one sigma
_WIDE_DEG = 150.0
_COLUMNS, _ROWS = 14, 6


def make_picture(path: Path, pixels: float, aspect: float) -> tuple[int, int]:
    """Write the picture and its report; gives width and height, px. Memory does not depend on them.

    Parameters
    ----------
    path : Path
    pixels : float
        How many, about.
    aspect : float
        Width over height.
    """
    height = round(math.sqrt(pixels / aspect))
    width = round(pixels / height)
    form = PictureFormat(width, height, icc=wide_profile())
    texture = _texture()
    with TiledTiff(path, form) as file, ThreadPoolExecutor(processors()) as threads:
        for row in range(form.rows):

            def tile(column: int, row: int = row) -> bytes:
                return encode_tile(_tile(texture, width, height, column, row))

            for column, encoded in enumerate(threads.map(tile, range(form.columns))):
                file.put(column, row, encoded)
    write_report(_report(path, width, height), report_path(path))
    return width, height


def _texture() -> NDArray[np.float32]:
    """(n, n, 3), amplitude 1/f with random phases, one standard deviation 1."""
    rng = np.random.default_rng(7)
    fy, fx = np.fft.fftfreq(_TEXTURE), np.fft.rfftfreq(_TEXTURE)
    fall = 1.0 / np.maximum(np.hypot(fy[:, None], fx), 1.0 / _TEXTURE)
    out = np.empty((_TEXTURE, _TEXTURE, 3), np.float32)
    for k in range(3):
        phases = np.exp(2j * np.pi * rng.random(fall.shape))
        field = np.fft.irfft2(fall * phases, (_TEXTURE, _TEXTURE))
        out[..., k] = field / field.std()
    return out


def _tile(texture: NDArray[np.float32], width: int, height: int, column: int, row: int) -> NDArray[np.uint16]:
    """Codes and coverage of a tile, short at the right and lower border."""
    x = np.arange(column * _TILE, min((column + 1) * _TILE, width))
    y = np.arange(row * _TILE, min((row + 1) * _TILE, height))
    rng = np.random.default_rng([row, column])
    detail = texture[y[:, None] % _TEXTURE, x % _TEXTURE]
    sky = (1.0 - y / height)[:, None, None] * np.array([9_000.0, 14_000.0, 24_000.0], np.float32)
    slope = (6_000.0 * np.sin(9.0 * x / width))[:, None].astype(np.float32)
    noise = rng.standard_normal(detail.shape, np.float32)
    codes = 22_000.0 + sky + slope + 4_000.0 * detail + _NOISE * noise
    out = np.empty((y.size, x.size, 4), np.uint16)
    out[..., :3] = np.clip(np.rint(codes), 0, 65_535)
    edge = 0.02 * height * (1.0 + np.sin(57.0 * x / width))
    out[..., 3] = np.where((y[:, None] >= edge) & (y[:, None] < height - edge), 65_535, 0)
    return out


def _report(path: Path, width: int, height: int) -> Report:
    """Six rows of fourteen frames that look about evenly over the picture."""
    scale = width / math.radians(_WIDE_DEG)
    across, down = width / _COLUMNS * 1.3, height / _ROWS * 1.3
    frames = []
    for row in range(_ROWS):
        for column in range(_COLUMNS):
            yaw = ((column + 0.5) / _COLUMNS - 0.5) * width / scale
            pitch = (0.5 - (row + 0.5) / _ROWS) * height / scale
            name = f"{row}-{column:02d}.jpg"
            digest = hashlib.sha256(name.encode()).hexdigest()
            frames.append(
                FrameReport(
                    file=name,
                    exposures=(ExposureReport(file=name, sha256=digest),),
                    used=True,
                    row=row,
                    column=column,
                    lens=0,
                    width=round(across),
                    height=round(down),
                    focal_px=scale,
                    principal_point=((across - 1) / 2, (down - 1) / 2),
                    distortion=(0.0, 0.0, 0.0),
                    rotation_wxyz=quaternion_from_matrix(pose_matrix(yaw, pitch, 0.0).T),
                    gain=1.0,
                    white_balance=(1.0, 1.0, 1.0),
                    vignetting=(0.0, 0.0, 0.0),
                    placed_by="tie-points",
                    placement_sigma_px=0.1,
                )
            )
    return Report(
        frames=tuple(frames),
        lenses=(
            LensReport(
                model="radial3",
                body="Ilvane C2",
                lens="Ilvane 135 mm f/2.8",
                focal_mm=135.0,
                principal_offset_sensor_px=(0.0, 0.0),
            ),
        ),
        plate=PlateReport(
            projection="equirectangular",
            width=width,
            height=height,
            pixels_per_radian=scale,
            centre=((width - 1) / 2, (height - 1) / 2),
            yaw_pitch_roll_deg=(0.0, 0.0, 0.0),
        ),
        level=LevelReport(source="person", sigma_deg=0.1),
        response=ResponseReport(known_from="profile"),
        quality=QualityReport(),
        coverage=CoverageReport(covered_fraction=0.96),
        timing=TimingReport(
            decode_s=0, align_s=0, tone_s=0, compose_s=0, write_s=0, total_s=0, peak_rss_mb=0
        ),
        software=SoftwareReport(version="0"),
        picture=PictureReport(file=path.name, bits=16),
    )
