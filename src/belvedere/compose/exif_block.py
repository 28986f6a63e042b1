"""What a stitched picture's Exif says: the values its frames have in common, and that it is a composite.

Tag numbers, types and meanings: Exif 2.32 (CIPA DC-008-2019), section 4.6; written down from memory.
CompositeImage 2 is a "general composite image", put together after shooting; 3 is one the camera put together
while shooting, which this is not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from belvedere.capture.frame import Metadata
from belvedere.compose.ifd import (
    Tag,
    ascii_tag,
    ifd_bytes,
    long_tag,
    rational_tag,
    short_tag,
    undefined_tag,
)

EXIF_IFD_POINTER = 34665
_GENERAL_COMPOSITE = 2
_UNCALIBRATED = 65535
_Value = TypeVar("_Value")


@dataclass(frozen=True, slots=True)
class ExifValues:
    """Exif values of a picture; None where the frames differ or do not say.

    Parameters
    ----------
    make, model, lens : str or None
        Camera and lens.
    focal_mm, focal_35mm : float or None
        Focal length and its 35-mm equivalent, mm.
    exposure_s, f_number, iso : float or None
        Exposure settings.
    taken : datetime or None
        When the first frame was exposed.
    color_space : int or None
        Exif ColorSpace of the picture's own samples: 1 is sRGB, anything else is written as uncalibrated.
    frames, frames_used : int
        Frames in the set, and frames that the picture shows.
    """

    make: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    taken: datetime | None = None
    color_space: int | None = None
    frames: int = 0
    frames_used: int = 0


def common_values(used: Sequence[Metadata], frames: int | None = None) -> ExifValues:
    """What all frames of a picture say alike; the date is the first frame's.

    Parameters
    ----------
    used : sequence of Metadata
        Of the frames the picture shows, in the order of the series.
    frames : int, optional
        Frames in the whole set, if more than were used.
    """
    return ExifValues(
        make=_common(used, lambda m: m.make),
        model=_common(used, lambda m: m.model),
        lens=_common(used, lambda m: m.lens),
        focal_mm=_common(used, lambda m: m.focal_mm),
        focal_35mm=_common(used, lambda m: m.focal_35mm),
        exposure_s=_common(used, lambda m: m.exposure_s),
        f_number=_common(used, lambda m: m.f_number),
        iso=_common(used, lambda m: m.iso),
        taken=used[0].taken if used else None,
        color_space=_common(used, lambda m: m.color_space),
        frames=max(len(used), frames or 0),
        frames_used=len(used),
    )


def camera_tags(values: ExifValues) -> list[Tag]:
    """The tags that belong in the main directory: Make and Model."""
    return [ascii_tag(n, text) for n, text in ((271, values.make), (272, values.model)) if text]


def exif_tags(values: ExifValues, width: int, height: int) -> list[Tag]:
    """The tags of the Exif directory of a picture of width x height px."""
    tags = [
        undefined_tag(0x9000, b"0232"),  # ExifVersion
        undefined_tag(0xA000, b"0100"),  # FlashpixVersion
        short_tag(0xA001, 1 if values.color_space == 1 else _UNCALIBRATED),  # ColorSpace
        long_tag(0xA002, width),  # PixelXDimension
        long_tag(0xA003, height),  # PixelYDimension
        short_tag(0xA460, _GENERAL_COMPOSITE),  # CompositeImage
    ]
    if 2 <= values.frames_used <= values.frames < 65536:
        # SourceImageNumberOfCompositeImage: source images, and those used
        tags.append(short_tag(0xA461, values.frames, values.frames_used))
    for number, value in (
        (0x829A, values.exposure_s),  # ExposureTime
        (0x829D, values.f_number),  # FNumber
        (0x920A, values.focal_mm),  # FocalLength
    ):
        if value is not None and 0.0 < value < 2**32:
            tags.append(rational_tag(number, value))
    if values.iso is not None and values.iso > 0.0:
        tags.append(short_tag(0x8827, min(round(values.iso), 65535)))  # PhotographicSensitivity
    if values.focal_35mm is not None and 0.5 <= values.focal_35mm < 65535.0:
        tags.append(short_tag(0xA405, round(values.focal_35mm)))  # FocalLengthIn35mmFilm
    if values.taken is not None:
        # strftime would not pad the years before 1000
        t = values.taken
        day, clock = f"{t.year:04}:{t.month:02}:{t.day:02}", f"{t.hour:02}:{t.minute:02}:{t.second:02}"
        tags.append(ascii_tag(0x9003, f"{day} {clock}"))  # DateTimeOriginal
        if t.microsecond:
            tags.append(ascii_tag(0x9291, f"{t.microsecond:06}".rstrip("0")))  # SubSecTimeOriginal
    if values.lens:
        tags.append(ascii_tag(0xA434, values.lens))  # LensModel
    return tags


def exif_segment(
    values: ExifValues, width: int, height: int, *, pixels_per_inch: float, software: str
) -> bytes:
    """The content of a JPEG's APP1 segment: "Exif", two NULs, and a classic TIFF without a picture."""
    components = undefined_tag(0x9101, bytes([1, 2, 3, 0]))  # ComponentsConfiguration: Y Cb Cr
    exif = [*exif_tags(values, width, height), components]
    main = [
        *camera_tags(values),
        short_tag(274, 1),  # Orientation: as displayed
        rational_tag(282, pixels_per_inch),
        rational_tag(283, pixels_per_inch),
        short_tag(296, 2),  # ResolutionUnit: inch
        ascii_tag(305, software),
        short_tag(531, 1),  # YCbCrPositioning: centred
    ]
    pointer_at = 8
    exif_at = pointer_at + len(ifd_bytes([*main, long_tag(EXIF_IFD_POINTER, 0)], pointer_at, big=False))
    return (
        b"Exif\0\0II*\0"
        + pointer_at.to_bytes(4, "little")
        + ifd_bytes([*main, long_tag(EXIF_IFD_POINTER, exif_at)], pointer_at, big=False)
        + ifd_bytes(exif, exif_at, big=False)
    )


def _common(used: Sequence[Metadata], value: Callable[[Metadata], _Value | None]) -> _Value | None:
    """The value where all have the same, else None."""
    found = {value(metadata) for metadata in used}
    return found.pop() if len(found) == 1 else None
