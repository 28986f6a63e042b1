"""The Exif a camera would have written (CIPA DC-008, Exif 3.0; tags by number)."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

from PIL import Image, ImageCms
from PIL.TiffImagePlugin import IFDRational

from belvedere.demo.faults import BASE_F_NUMBER, BASE_ISO
from belvedere.demo.poses import Shot
from belvedere.demo.spec import SetSpec

STARTED = datetime(2024, 9, 14, 9, 26, 12, 340000)
"""The demo's first moment, by a camera clock that is right."""
_BASE_EXPOSURE_S = 1.0 / 250.0
_EXIF_IFD = 0x8769
EXIF_PLACE = 0x8768
"""Tag that keeps the place of the ExifIFD tag, which the TIFF writer will not write itself."""
_TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 9: 4, 10: 8}


def exif_of(spec: SetSpec, shot: Shot) -> Image.Exif:
    """Exif of one frame."""
    width, height = spec.stored_size
    body, lens = spec.body, spec.lens
    focal = spec.tagged_focal_mm if spec.tagged_focal_mm is not None else spec.focal_mm
    fault = shot.fault
    focal *= fault.focal_factor if fault.focal_told else 1.0
    taken = None
    if body.clock_s is not None:
        taken = STARTED + timedelta(seconds=spec.started_s + shot.seconds + body.clock_s)
    exif = Image.Exif()
    exif[0x010F] = body.make
    exif[0x0110] = body.model
    exif[0x0112] = shot.orientation
    if taken is not None:
        exif[0x0132] = taken.strftime("%Y:%m:%d %H:%M:%S")
    detail = exif.get_ifd(_EXIF_IFD)
    detail[0x829A] = IFDRational(round(exposure_s(shot) * 1e6), 1000000)  # ExposureTime
    f_number = BASE_F_NUMBER if fault.f_number is None else fault.f_number
    detail[0x829D] = IFDRational(round(f_number * 10), 10)  # FNumber
    detail[0x8827] = BASE_ISO if fault.iso is None else fault.iso  # PhotographicSensitivity
    detail[0x9000] = b"0232"
    if taken is not None:
        detail[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")  # DateTimeOriginal
        detail[0x9291] = f"{taken.microsecond // 10000:02d}"  # SubSecTimeOriginal
    distance = spec.subject_distance_m if fault.subject_distance_m is None else fault.subject_distance_m
    if distance is not None:
        detail[0x9206] = IFDRational(round(distance * 100), 100)  # SubjectDistance
    detail[0x920A] = IFDRational(round(focal * 100), 100)  # FocalLength
    detail[0xA001] = 1  # ColorSpace: sRGB
    detail[0xA002], detail[0xA003] = width, height
    detail[0xA20E] = IFDRational(round(width / body.sensor_mm[0] * 10 * 1000), 1000)  # FocalPlaneXResolution
    detail[0xA20F] = IFDRational(round(height / body.sensor_mm[1] * 10 * 1000), 1000)
    detail[0xA210] = 3  # centimetre
    exposure_auto = spec.exposure_auto if fault.exposure_auto is None else fault.exposure_auto
    if exposure_auto is not None:  # ExposureMode: 0 auto, 1 manual, 2 auto bracket
        detail[0xA402] = 0 if exposure_auto else (2 if len(spec.bracket_ev) > 1 else 1)
    white_auto = spec.white_balance_auto if fault.white_balance_auto is None else fault.white_balance_auto
    if white_auto is not None:
        detail[0xA403] = 0 if white_auto else 1  # WhiteBalance: 0 auto, 1 manual
    detail[0xA405] = round(focal * 43.2666 / (body.sensor_mm[0] ** 2 + body.sensor_mm[1] ** 2) ** 0.5)
    detail[0xA431] = body.serial
    detail[0xA434] = lens.model
    return exif


def exposure_s(shot: Shot) -> float:
    """Exposure time as told, s."""
    return _BASE_EXPOSURE_S * float(2.0**shot.exposure_ev)


@lru_cache(maxsize=1)
def srgb_profile() -> bytes:
    """An sRGB ICC profile."""
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())


def append_exif_ifd(path: Path, exif: Image.Exif) -> None:
    """Put the Exif IFD at the end of a big-endian TIFF whose first IFD keeps a place for its tag.

    The IFD is cut from `exif`'s own TIFF structure; offsets to values in it are moved (TIFF 6.0, section 2).
    """
    blob = bytearray(exif.tobytes()[6:])
    tiff = bytearray(path.read_bytes())
    if blob[:2] != b"MM" or tiff[:4] != b"MM\x00\x2a":
        raise ValueError(f"{path}: expected a big-endian classic TIFF and Exif, got {bytes(tiff[:4])!r}")
    start = len(tiff) + len(tiff) % 2
    pointer = _entries(blob, _number(blob, 4, 4))[_EXIF_IFD] + 8
    ifd = _number(blob, pointer, 4)
    for at in _entries(blob, ifd).values():
        size = _TYPE_SIZES[_number(blob, at + 2, 2)] * _number(blob, at + 4, 4)
        if size > 4:
            blob[at + 8 : at + 12] = (_number(blob, at + 8, 4) + start).to_bytes(4, "big")
    entry = _entries(tiff, _number(tiff, 4, 4))[EXIF_PLACE]
    tiff[entry : entry + 2] = _EXIF_IFD.to_bytes(2, "big")
    tiff[entry + 8 : entry + 12] = (start + ifd).to_bytes(4, "big")
    path.write_bytes(bytes(tiff.ljust(start, b"\0") + blob))


def _number(data: bytearray, at: int, size: int) -> int:
    return int.from_bytes(data[at : at + size], "big")


def _entries(data: bytearray, ifd: int) -> dict[int, int]:
    """Where the 12-byte entry of every tag of an IFD lies."""
    return {_number(data, ifd + 2 + 12 * k, 2): ifd + 2 + 12 * k for k in range(_number(data, ifd, 2))}
