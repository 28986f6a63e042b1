"""What a picture says of itself in XMP: how it came about, its lens, how much of the world it shows.

Source: IPTC Photo Metadata Standard, Digital Source Type; Exif metadata for XMP (CIPA DC-010). From memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from belvedere.compose.exif_block import ExifValues
from belvedere.compose.ifd import rational_tag
from belvedere.compose.plate_view import field_of_view_deg
from belvedere.compose.report import PlateReport
from belvedere.compose.xmp import (
    COMPOSITE_CAPTURE,
    EXIF,
    EXIF_EX,
    IPTC_EXTENSION,
    OWN,
    XMP,
    Property,
    xmp_packet,
)
from belvedere.geometry.plate import Plate


def picture_properties(
    *,
    software: str,
    taken: str | None,
    source_type: str | None,
    lens: str | None,
    focal_length: str | None,
    plate: PlateReport | Plate | None,
) -> Iterator[Property]:
    """The properties; of what is None, nothing is said.

    Parameters
    ----------
    software : str
        Name and version.
    taken : str or None
        ISO 8601.
    source_type : str or None
        Of `xmp.SOURCE_TYPES`.
    lens : str or None
    focal_length : str or None
        mm, a fraction as XMP writes it: 50/1.
    plate : PlateReport or Plate or None
        The sheet the picture is drawn on.
    """
    yield Property(XMP, "CreatorTool", software)
    if taken:
        yield Property(XMP, "CreateDate", taken, replaces=False)
    if source_type is not None:
        yield Property(IPTC_EXTENSION, "DigitalSourceType", source_type)
    if lens:
        yield Property(EXIF_EX, "LensModel", lens, replaces=False)
    if focal_length:
        yield Property(EXIF, "FocalLength", focal_length, replaces=False)
    if plate is not None:
        wide, high = field_of_view_deg(plate)
        yield Property(OWN, "fieldOfViewHorizontal", f"{wide:.3f}")
        yield Property(OWN, "fieldOfViewVertical", f"{high:.3f}")
        yield Property(OWN, "projection", plate.projection)


def picture_xmp(exif: ExifValues, plate: Plate | None, software: str) -> bytes:
    """The XMP packet of a stitched picture; the same bytes for the same picture.

    Parameters
    ----------
    exif : ExifValues
        What its frames have in common.
    plate : Plate or None
        The sheet it is drawn on.
    software : str
        Name and version.
    """
    fraction = None
    if exif.focal_mm is not None and 0.0 < exif.focal_mm < 2**32:
        top, bottom = struct.unpack("<II", rational_tag(0x920A, exif.focal_mm).data)
        fraction = f"{top}/{bottom}"
    packet, _ = xmp_packet(
        None,
        list(
            picture_properties(
                software=software,
                taken=exif.taken.isoformat() if exif.taken is not None else None,
                source_type=COMPOSITE_CAPTURE if exif.frames_used > 1 else None,
                lens=exif.lens,
                focal_length=fraction,
                plate=plate,
            )
        ),
    )
    return packet
