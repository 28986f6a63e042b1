"""The tags and the XMP packet of a picture to keep: what it carries, completed by what its report knows.

Sources: Exif 3.0 (CIPA DC-008-2023), 4.6, and its tag CompositeImage, where 2 is a general composite image
and 3 one that the camera put together while shooting, which a stitched picture is not; IPTC Photo Metadata
Standard, Digital Source Type. Both from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from belvedere.compose.ifd import Tag, ascii_tag, long_tag, rational_tag, short_tag, undefined_tag
from belvedere.compose.picture_xmp import picture_properties
from belvedere.compose.report import Report
from belvedere.compose.xmp import COMPOSITE_CAPTURE, COMPOSITE_SYNTHETIC, Property, xmp_packet
from belvedere.deliver.picture import Picture
from belvedere.deliver.tag_block import ICC, IPTC, XMP, TagBlock

_EXIF_VERSION, _FOCAL_LENGTH, _FOCAL_35MM, _LENS_MODEL = 0x9000, 0x920A, 0xA405, 0xA434
_TIME_ORIGINAL, _PIXEL_X, _PIXEL_Y = 0x9003, 0xA002, 0xA003
_COMPOSITE, _COMPOSITE_COUNT = 0xA460, 0xA461
_GENERAL_COMPOSITE = 2
_BYTE = 1

# DocumentName, ImageDescription, Make, Model, DateTime, Artist, HostComputer, Rating, Copyright, and title,
# comment, author, keywords and subject in UTF-16. All others tell of the samples' layout or of other files.
_CARRIED = {269, 270, 271, 272, 306, 315, 316, 18246, 33432, *range(40091, 40096)}
# ComponentsConfiguration, CompressedBitsPerPixel: of the compressed file this may have been.
_OF_THE_FILE = {0x9101, 0x9102, _PIXEL_X, _PIXEL_Y}


@dataclass(frozen=True, slots=True)
class KeepTags:
    """What is written of a picture.

    Parameters
    ----------
    block : TagBlock
        All tags but those of the samples' layout.
    source_type : str or None
        The IPTC Digital Source Type that is written; None where nothing is known of it.
    notices : tuple of str
        What could not be carried over, one sentence each.
    """

    block: TagBlock
    source_type: str | None
    notices: tuple[str, ...] = ()


def keep_tags(picture: Picture, software: str) -> KeepTags:
    """Everything a picture carries, completed: lens, focal length, field of view, that it is a composite.

    What is there is never altered but where it tells of the file itself (size, resolution, software), or of
    how the picture was made, which the report knows best. Location is kept.

    Parameters
    ----------
    picture : Picture
    software : str
        Name and version.
    """
    report = picture.report
    exif = _exif(picture, report)
    kind = _source_type(report)
    packet, kept = xmp_packet(picture.xmp, list(_properties(exif, report, kind, software)))
    notices = () if kept else ("its XMP packet is damaged and was left out",)
    ppi = picture.pixels_per_inch
    main = [tag for tag in picture.tags.main if tag.number in _CARRIED]
    main += [
        rational_tag(282, ppi or 1.0),
        rational_tag(283, ppi or 1.0),
        short_tag(296, 2 if ppi else 1),  # ResolutionUnit: inch, or none
        ascii_tag(305, software),
        Tag(XMP, _BYTE, len(packet), packet),
    ]
    if picture.icc:
        main.append(undefined_tag(ICC, picture.icc))
    if (iptc := picture.tags.find(IPTC)) is not None:
        main.append(iptc)
    elif picture.iptc:
        main.append(undefined_tag(IPTC, picture.iptc))
    block = TagBlock(tuple(main), exif, picture.tags.gps, picture.tags.interoperability)
    return KeepTags(block, kind, notices)


def _source_type(report: Report | None) -> str | None:
    if report is None or (len(report.used) < 2 and not report.invented):
        return None
    return COMPOSITE_SYNTHETIC if report.invented else COMPOSITE_CAPTURE


def _exif(picture: Picture, report: Report | None) -> tuple[Tag, ...]:
    tags = {tag.number: tag for tag in picture.tags.exif if tag.number not in _OF_THE_FILE}
    if not tags and report is None:
        return ()
    tags.setdefault(_EXIF_VERSION, undefined_tag(_EXIF_VERSION, b"0300"))
    for tag in (long_tag(_PIXEL_X, picture.width), long_tag(_PIXEL_Y, picture.height)):
        tags[tag.number] = tag
    if report is not None:
        for tag in _told_by(report):
            tags.setdefault(tag.number, tag)
        if len(report.used) > 1:
            tags[_COMPOSITE] = short_tag(_COMPOSITE, _GENERAL_COMPOSITE)
        if 2 <= len(report.used) <= len(report.frames) < 65536:
            # SourceImageNumberOfCompositeImage: source images, and those used
            counts = short_tag(_COMPOSITE_COUNT, len(report.frames), len(report.used))
            tags[_COMPOSITE_COUNT] = counts
    return tuple(tags[number] for number in sorted(tags))


def _told_by(report: Report) -> Iterator[Tag]:
    """Lens and focal length, where all used frames have the same."""
    lenses = [report.lenses[report.frames[i].lens] for i in report.used]
    names = {lens.lens for lens in lenses}
    if len(names) == 1 and (name := names.pop()):
        yield ascii_tag(_LENS_MODEL, name)
    lengths = {lens.focal_mm for lens in lenses}
    if len(lengths) == 1 and (length := lengths.pop()):
        yield rational_tag(_FOCAL_LENGTH, length)


def _properties(
    exif: tuple[Tag, ...], report: Report | None, kind: str | None, software: str
) -> Iterator[Property]:
    by_number = {tag.number: tag for tag in exif}
    yield from picture_properties(
        software=software,
        taken=_moment(by_number.get(_TIME_ORIGINAL)),
        source_type=kind,
        lens=_text(by_number.get(_LENS_MODEL)),
        focal_length=_fraction(by_number.get(_FOCAL_LENGTH)),
        plate=report.plate if report is not None else None,
    )


def _text(tag: Tag | None) -> str | None:
    if tag is None:
        return None
    text = tag.data.split(b"\0", 1)[0].decode("utf-8", "replace")
    return "".join(c for c in text if c.isprintable()).strip() or None


def _fraction(tag: Tag | None) -> str | None:
    """A rational number as XMP writes it: 50/1."""
    if tag is None or len(tag.data) != 8:
        return None
    top, bottom = struct.unpack("<II", tag.data)
    return f"{top}/{bottom}" if bottom else None


def _moment(tag: Tag | None) -> str | None:
    """Exif "2024:05:06 07:08:09" as ISO 8601, without a zone, which Exif does not tell here."""
    text = _text(tag)
    if text is None or len(text) != 19 or not text[:4].isdigit() or text[0:4] == "0000":
        return None
    day, _, clock = text.partition(" ")
    return f"{day.replace(':', '-')}T{clock}"
