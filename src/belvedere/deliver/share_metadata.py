"""What of a picture's metadata goes along with a JPEG to be shared: all, all but the place, or nothing.

Sources: Exif 3.0 (CIPA DC-008-2023) and TIFF 6.0 for the tags; ISO 16684-1 for XMP; IPTC Photo Metadata
Standard 2023.1 and CIPA DC-010 (Exif for XMP) for the properties that name a place, both from memory; ITU-T
T.81, B.1.1.4: a segment holds at most 65,533 bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from xml.dom import minidom
from xml.parsers.expat import ExpatError

from belvedere.compose.ifd import Tag, ascii_tag, long_tag, rational_tag, short_tag, undefined_tag
from belvedere.deliver.iptc import DamagedRecords, records_segment, sound_records
from belvedere.deliver.tag_block import TagBlock, block_bytes

Told = Literal["all", "no place", "nothing"]

_SEGMENT_BYTES = 65_533
EXIF_MARK = b"Exif\0\0"
"""What begins the Exif segment of a JPEG; a TIFF structure follows."""

_XMP_MARK_BYTES = 29

# Description, Make, Model, Software, DateTime, Artist, Copyright; all else in the main directory is layout.
_DESCRIPTIVE = (270, 271, 272, 305, 306, 315, 33432)
_RENEWED = (0xA001, 0xA002, 0xA003, 0x9101)  # colour space, sides, components
_LONG_VALUE = 1024  # bytes; what goes first where a segment is too small

# Properties that name a place, of whatever namespace: of IPTC Core and Extension, and of a geographic point.
_PLACE_NAMES = {
    *("City", "State", "ProvinceState", "Country", "CountryCode", "CountryName", "WorldRegion"),
    *("Location", "Sublocation", "LocationShown", "LocationCreated", "lat", "long", "alt", "lat_long"),
}


@dataclass(frozen=True, slots=True)
class ShareMetadata:
    """What is written into a JPEG beside its samples and profile.

    Parameters
    ----------
    exif : bytes or None
        Content of its Exif segment.
    xmp : bytes or None
        XMP packet.
    iptc : bytes or None
        IPTC-IIM records.
    notices : tuple of str
        What was left out though it was asked for, one sentence each.
    """

    exif: bytes | None = None
    xmp: bytes | None = None
    iptc: bytes | None = None
    notices: tuple[str, ...] = ()


def share_metadata(
    tags: TagBlock,
    xmp: bytes | None,
    width: int,
    height: int,
    told: Told = "all",
    *,
    iptc: bytes | None = None,
    ppi: float = 72.0,
) -> ShareMetadata:
    """The metadata of a JPEG of width x height px in sRGB.

    Parameters
    ----------
    tags : TagBlock
        Of the picture. Of the main directory what describes it is taken; Orientation is 1, as displayed.
    xmp : bytes or None
        The picture's packet. One that cannot be read is left out unless all is told.
    told : "all", "no place" or "nothing"
        "no place" leaves out the GPS directory, and in XMP and the records GPS and IPTC's places. It reads no
        text: a place named in a title or a description stays.
    iptc : bytes or None
        The picture's IPTC-IIM records; left out where they are damaged.
    ppi : float
        Print resolution, which a picture for screens does not have: readers expect the number.

    Notes
    -----
    Maker notes do not go along.
    """
    if told == "nothing":
        return ShareMetadata()
    notices: list[str] = []
    exif = _exif(tags, width, height, told, ppi, keep_long=True)
    if len(exif) > _SEGMENT_BYTES:
        exif = _exif(tags, width, height, told, ppi, keep_long=False)
        notices.append("long Exif values were left out of the JPEG: it holds 64 KiB of them at most")
    packet = xmp
    if packet is not None and told == "no place":
        packet = without_place(packet)
        if packet is None:
            notices.append("the XMP was left out: it cannot be read, so it may name the place")
    if packet is not None and len(packet) + _XMP_MARK_BYTES > _SEGMENT_BYTES:
        packet = None
        notices.append("the XMP was left out of the JPEG: it is longer than 64 KiB")
    records = None
    if iptc is not None:
        try:
            records = sound_records(iptc, with_place=told != "no place") or None
        except DamagedRecords as error:
            notices.append(f"{error}, and were left out of the JPEG")
    if records is not None and records_segment(records) is None:
        records = None
        notices.append("the IPTC records were left out of the JPEG: they are longer than 64 KiB")
    return ShareMetadata(exif, packet, records, tuple(notices))


def _exif(tags: TagBlock, width: int, height: int, told: Told, ppi: float, *, keep_long: bool) -> bytes:
    def kept(tag: Tag) -> bool:
        return keep_long or len(tag.data) <= _LONG_VALUE

    main = [tag for tag in tags.main if tag.number in _DESCRIPTIVE and kept(tag)]
    if not any(tag.number == 305 for tag in main):
        main.append(ascii_tag(305, "Belvedere"))
    main += [
        short_tag(274, 1),
        rational_tag(282, ppi),
        rational_tag(283, ppi),
        short_tag(296, 2),
        short_tag(531, 1),
    ]
    exif = [tag for tag in tags.exif if tag.number not in _RENEWED and kept(tag)]
    if not any(tag.number == 0x9000 for tag in exif):
        exif.append(undefined_tag(0x9000, b"0232"))
    exif += [
        undefined_tag(0x9101, bytes([1, 2, 3, 0])),
        short_tag(0xA001, 1),
        long_tag(0xA002, width),
        long_tag(0xA003, height),
    ]
    gps = () if told == "no place" else tuple(tag for tag in tags.gps if kept(tag))
    return EXIF_MARK + block_bytes(TagBlock(tuple(main), tuple(exif), gps))


def without_place(packet: bytes) -> bytes | None:
    """An XMP packet without GPS and IPTC's places; None where it is no XML."""
    try:
        document = minidom.parseString(packet.strip(b"\0 \r\n\t"))
    except (ExpatError, ValueError, RecursionError):
        return None
    for node in list(document.getElementsByTagName("*")):
        for attribute in list((node.attributes or {}).values()):
            if _names_place(attribute.localName):
                node.removeAttributeNode(attribute)
        if node.parentNode is not None and _names_place(node.localName):
            node.parentNode.removeChild(node)
    return b"".join(child.toxml().encode("utf-8") for child in document.childNodes)


def _names_place(name: str | None) -> bool:
    return name is not None and (name.startswith("GPS") or name in _PLACE_NAMES)
