"""Raw files: the light itself through a colour filter array, as a 16-bit DNG with Exif and a preview.

DNG 1.4 over TIFF/EP (ISO 12234-2), tags by number. Development has a truth: with the neutral as shot, black
and white level taken off and no other change, linear sRGB light comes back, times exposure and vignetting.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray

from belvedere.demo.embedded import reduced
from belvedere.demo.exif import EXIF_PLACE, append_exif_ifd, exif_of, exposure_s
from belvedere.demo.poses import Shot
from belvedere.demo.sensor_faults import sensor_faults
from belvedere.demo.spec import SetSpec
from belvedere.geometry.orientation import displayed

BLACK, WHITE = 512, 15871
"""Codes of no light and of a full well: 14 bits."""
CAMERA_FROM_XYZ = np.array([[0.92, -0.32, -0.11], [-0.38, 1.27, 0.12], [-0.05, 0.19, 0.56]])
"""ColorMatrix1 of every invented body, CIE XYZ (D65) to its own primaries."""
_XYZ_FROM_SRGB = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)  # IEC 61966-2-1
_INVERSE = {1: 1, 3: 3, 6: 8, 8: 6}
_PREVIEW_PX = 1024  # long side, where the body asks for no other
_D65 = 21  # CalibrationIlluminant1


def camera_from_srgb() -> NDArray[np.float64]:
    """The body's response to linear sRGB light, white giving 1 in its strongest channel: (3, 3)."""
    matrix = CAMERA_FROM_XYZ @ _XYZ_FROM_SRGB
    return np.asarray(matrix / matrix.sum(axis=1).max())


def sensor_values(spec: SetSpec, shot: Shot, light: NDArray[np.float32]) -> NDArray[np.uint16]:
    """What the sensor reads out: codes (height, width) as stored, RGGB, BLACK to WHITE.

    Parameters
    ----------
    light : ndarray of shape (height, width, 3), float32
        Scene-linear light as displayed.
    """
    camera, how = shot.camera, shot.exposing
    height, width = light.shape[:2]
    cx, cy = camera.principal_point
    q = ((np.arange(width) - cx)[None, :] ** 2 + (np.arange(height) - cy)[:, None] ** 2).astype(np.float32)
    q /= np.float32(camera.half_diagonal_px**2)
    a1, a2, a3 = how.vignetting
    level = np.float32(how.factors[1]) * (1.0 + q * (a1 + q * (a2 + q * a3)))
    seen = (light @ camera_from_srgb().T.astype(np.float32)) * level[..., None]
    seen = np.asarray(displayed(seen, _INVERSE[shot.orientation]))
    values = np.empty(seen.shape[:2], np.float32)
    for y, x, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        values[y::2, x::2] = seen[y::2, x::2, channel]
    sensor_faults(spec).add_to(values, exposure_s(shot))
    if how.full_well > 0.0:
        noise = np.random.default_rng(how.noise_seed).standard_normal(values.shape, dtype=np.float32)
        spread = np.maximum(values, 0.0) / how.full_well + (how.read_noise / how.full_well) ** 2
        values += noise * np.sqrt(spread)
    codes = np.rint(BLACK + np.minimum(values, 1.0) * (WHITE - BLACK))
    return np.asarray(np.clip(codes, 0, WHITE), dtype=np.uint16)


def write_dng(
    spec: SetSpec, shot: Shot, light: NDArray[np.float32], picture: NDArray[np.uint8], path: Path
) -> None:
    """Write a raw file.

    Parameters
    ----------
    light : ndarray of shape (height, width, 3), float32
        Scene-linear light as displayed.
    picture : ndarray of shape (height, width, 3), uint8
        The frame developed, as displayed: the preview is made from it.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    raw = sensor_values(spec, shot, light)
    stored = np.asarray(displayed(picture, _INVERSE[shot.orientation]))
    preview = reduced(stored, spec.body.preview_px or _PREVIEW_PX)
    high, wide, _, _ = simplejpeg.decode_jpeg_header(preview)
    with tifffile.TiffWriter(path, byteorder=">") as writer:
        writer.write(
            iter([preview]),
            shape=(high, wide, 3),
            dtype="u1",
            photometric="ycbcr",
            compression="jpeg",
            subsampling=(2, 2),
            subfiletype=1,
            subifds=1,
            rowsperstrip=high,
            metadata=None,
            software=False,
            extratags=_first_directory(spec, shot),
        )
        writer.write(
            raw,
            photometric=32803,  # colour filter array
            planarconfig=None,
            subfiletype=0,
            rowsperstrip=len(raw),
            metadata=None,
            software=False,
            extratags=[
                (33421, 3, 2, (2, 2), False),  # CFARepeatPatternDim
                (33422, 1, 4, bytes([0, 1, 1, 2]), False),  # CFAPattern
                (50710, 1, 3, bytes([0, 1, 2]), False),  # CFAPlaneColor
                (50711, 3, 1, 1, False),  # CFALayout: rectangular
                (50714, 3, 1, BLACK, False),
                (50717, 4, 1, WHITE, False),
            ],
        )
    append_exif_ifd(path, exif_of(spec, shot))


def _first_directory(spec: SetSpec, shot: Shot) -> list[tuple[Any, ...]]:
    """What DNG wants in IFD 0 besides the preview."""
    red, _, blue = shot.white_balance
    neutral = camera_from_srgb().sum(axis=1) / np.array([red, 1.0, blue])
    model = spec.body.model
    return [
        (0x010F, 2, 0, spec.body.make, True),
        (0x0110, 2, 0, model, True),
        (0x0112, 3, 1, shot.orientation, True),
        (EXIF_PLACE, 4, 1, 0, True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50707, 1, 4, bytes([1, 1, 0, 0]), True),  # DNGBackwardVersion
        (50708, 2, 0, model, True),  # UniqueCameraModel
        (50721, 10, 9, _rationals(CAMERA_FROM_XYZ.ravel()), True),  # ColorMatrix1
        (50728, 5, 3, _rationals(neutral), True),  # AsShotNeutral
        (50778, 3, 1, _D65, True),  # CalibrationIlluminant1
    ]


def _rationals(values: NDArray[np.float64]) -> tuple[int, ...]:
    """Numerators and denominators in turn."""
    return tuple(part for v in values for part in (round(float(v) * 1e6), 1000000))
