"""What a picture file says of itself beside its samples: tags, XMP, IPTC, print resolution.

Sources: TIFF 6.0 for tags 282, 283, 296; ISO 16684-1 and XMP Specification Part 3 for where XMP lies (TIFF
tag 700, a JPEG APP1 segment, a PNG iTXt chunk; part 3 from memory); ITU-T T.81, B.1.1.4 for JPEG's segments;
JFIF 1.02 for density; PNG Specification, Third Edition (W3C), 11.3, for eXIf, iTXt and pHYs.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from belvedere.compose.ifd import Tag
from belvedere.deliver.iptc import segment_records
from belvedere.deliver.tag_block import IPTC, XMP, TagBlock, read_tag_block

_XMP_MARK = b"http://ns.adobe.com/xap/1.0/\0"  # of ISO 16684-1; also the packet's own namespace
_XMP_KEYWORD = b"XML:com.adobe.xmp"
_INCH_CM, _INCH_M = 2.54, 0.0254
_X_RESOLUTION, _RESOLUTION_UNIT = 282, 296
_LARGEST_TEXT = 32 << 20
_NO_TAGS = TagBlock()


@dataclass(frozen=True, slots=True)
class Embedded:
    """What a file carries beside its samples and profile; None where it says nothing.

    Parameters
    ----------
    tags : TagBlock
    xmp, iptc : bytes or None
        The XMP packet; the IPTC-IIM records.
    pixels_per_inch : float or None
    """

    tags: TagBlock = _NO_TAGS
    xmp: bytes | None = None
    iptc: bytes | None = None
    pixels_per_inch: float | None = None


def tiff_embedded(file: Path, directory: int) -> Embedded:
    """Of the TIFF page whose directory lies at this place in the file."""
    with file.open("rb") as stream:
        tags = read_tag_block(stream, directory)
    return Embedded(tags, _bytes_of(tags.find(XMP)), _bytes_of(tags.find(IPTC)), tags_ppi(tags))


def jpeg_embedded(file: Path) -> Embedded:
    """Of a JPEG."""
    tags, xmp, iptc, ppi = TagBlock(), None, None, None
    with file.open("rb") as stream:
        for marker, data in _jpeg_segments(stream):
            if marker == 0xE1 and data.startswith(b"Exif\0\0") and not tags.main:
                tags = read_tag_block(io.BytesIO(data[6:]))
            elif marker == 0xE1 and data.startswith(_XMP_MARK):
                xmp = data[len(_XMP_MARK) :]
            elif marker == 0xED and iptc is None:
                iptc = segment_records(data)
            elif marker == 0xE0 and data.startswith(b"JFIF\0") and len(data) >= 12:
                unit, across = data[7], struct.unpack(">H", data[8:10])[0]
                ppi = {1: 1.0, 2: _INCH_CM}.get(unit, 0.0) * across or None
    return Embedded(tags, xmp, iptc, ppi or tags_ppi(tags))


def png_embedded(file: Path) -> Embedded:
    """Of a PNG."""
    tags, xmp, ppi = TagBlock(), None, None
    with file.open("rb") as stream:
        for kind, data in _png_chunks(stream):
            if kind == b"eXIf":
                tags = read_tag_block(io.BytesIO(data))
            elif kind == b"iTXt" and data.startswith(_XMP_KEYWORD + b"\0"):
                xmp = _international_text(data)
            elif kind == b"pHYs" and len(data) == 9 and data[8] == 1:
                ppi = struct.unpack(">I", data[:4])[0] * _INCH_M or None
    return Embedded(tags, xmp, None, ppi or tags_ppi(tags))


def tags_ppi(tags: TagBlock) -> float | None:
    """Print resolution from tags 282 and 296, pixels per inch; None where the unit is none."""
    across, unit = tags.find(_X_RESOLUTION), tags.find(_RESOLUTION_UNIT)
    if across is None or len(across.data) != 8:
        return None
    top, bottom = struct.unpack("<II", across.data)
    scale = {2: 1.0, 3: _INCH_CM}.get(int.from_bytes(unit.data, "little") if unit else 2)
    return top / bottom * scale if bottom and top and scale else None


def _bytes_of(tag: Tag | None) -> bytes | None:
    return tag.data if tag is not None else None


def _jpeg_segments(stream: Any) -> Iterator[tuple[int, bytes]]:
    """Markers and contents up to the scan."""
    stream.seek(2)
    while len(mark := stream.read(4)) == 4 and mark[0] == 0xFF:
        while mark[1] == 0xFF:  # fill bytes
            mark = mark[1:] + stream.read(1)
            if len(mark) < 4:
                return
        length = int.from_bytes(mark[2:], "big")
        if mark[1] == 0xDA or length < 2:
            return
        yield mark[1], stream.read(length - 2)


def _png_chunks(stream: Any) -> Iterator[tuple[bytes, bytes]]:
    """Kinds and contents of the chunks that are no samples."""
    stream.seek(8)
    while len(start := stream.read(8)) == 8:
        length, kind = struct.unpack(">I4s", start)
        if kind == b"IEND":
            return
        if kind in (b"eXIf", b"iTXt", b"pHYs") and length <= _LARGEST_TEXT:
            yield kind, stream.read(length)
            stream.seek(4, io.SEEK_CUR)
        else:
            stream.seek(length + 4, io.SEEK_CUR)


def _international_text(data: bytes) -> bytes | None:
    """The text of an iTXt chunk: keyword, NUL, compressed or not, method, language, NUL, keyword, NUL, it."""
    head, rest = data[len(_XMP_KEYWORD) + 1 :][:2], data[len(_XMP_KEYWORD) + 3 :]
    text = rest.split(b"\0", 2)[-1]
    if head[:1] != b"\x01":
        return text
    try:
        return zlib.decompressobj().decompress(text, _LARGEST_TEXT)
    except zlib.error:
        return None
