"""The smaller pictures that a JPEG file carries of itself: where they lie, without decoding any.

References
----------
CIPA DC-008-2023 (Exif 3.0): the thumbnail, JPEGInterchangeFormat 0x0201 and its length 0x0202, in the second
directory. CIPA DC-007 (Multi-Picture Format): MP Entry 0xB002, its attributes, sizes and offsets; the types
0x010001 and 0x010002 are large thumbnails. Numbers of both from memory; Pillow reads the same in the tests.
"""

from __future__ import annotations

import struct
from typing import BinaryIO

_START, _END, _SCAN, _APP1, _APP2 = 0xD8, 0xD9, 0xDA, 0xE1, 0xE2
_THUMBNAIL_AT, _THUMBNAIL_BYTES, _MP_ENTRY = 0x0201, 0x0202, 0xB002
_LARGE_THUMBNAIL = 0x01  # the class of type codes 0x010001 (VGA) and 0x010002 (full HD)
_MOST_HEADER_BYTES = 1 << 20
_LARGEST_PREVIEW_BYTES = 8 << 20


def embedded_jpegs(stream: BinaryIO) -> list[tuple[str, bytes]]:
    """The JPEG streams that a JPEG file carries of itself, largest in bytes first.

    Parameters
    ----------
    stream : binary file
        The JPEG, from its start.

    Returns
    -------
    list of (kind, stream)
        "preview" for large thumbnails of the Multi-Picture Format, "thumbnail" for Exif's own. What is
        damaged is left out.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    found: list[tuple[str, bytes]] = []
    for marker, start, segment in _segments(stream):
        if marker == _APP1 and segment[:6] == b"Exif\0\0":
            thumbnail = _exif_thumbnail(segment[6:])
            found += [("thumbnail", thumbnail)] if thumbnail else []
        elif marker == _APP2 and segment[:4] == b"MPF\0":
            found += [("preview", preview) for preview in _previews(stream, start + 4, segment[4:])]
    return sorted(found, key=lambda kind_stream: -len(kind_stream[1]))


def _segments(stream: BinaryIO) -> list[tuple[int, int, bytes]]:
    """(marker, place of the first byte in the file, bytes) of the segments before the first scan."""
    found: list[tuple[int, int, bytes]] = []
    if stream.read(2) != bytes((0xFF, _START)):
        return found
    while stream.tell() < _MOST_HEADER_BYTES:
        head = stream.read(2)
        while head[:1] == b"\xff" and head[1:] == b"\xff":  # filling bytes
            head = head[1:] + stream.read(1)
        if len(head) < 2 or head[0] != 0xFF or head[1] in (_SCAN, _END):
            break
        size = stream.read(2)
        if len(size) < 2 or (length := int.from_bytes(size, "big")) < 2:
            break
        start = stream.tell()
        segment = stream.read(length - 2)
        if len(segment) < length - 2:
            break
        if head[1] in (_APP1, _APP2):
            found.append((head[1], start, segment))
    return found


def _exif_thumbnail(block: bytes) -> bytes | None:
    """The thumbnail's stream in an Exif block, that is in its second directory; None where there is none."""
    directory = _directory(block, _u32(block, 4))
    second = _directory(block, directory.pop(-1, 0)) if directory else {}
    at, length = second.get(_THUMBNAIL_AT, 0), second.get(_THUMBNAIL_BYTES, 0)
    return _jpeg_at(block[at : at + length]) if at > 0 and length > 0 else None


def _previews(stream: BinaryIO, base: int, block: bytes) -> list[bytes]:
    """The large thumbnails that a Multi-Picture index names; offsets count from the index's own header."""
    entry = _directory(block, _u32(block, 4), counted=_MP_ENTRY)
    at, length = entry.get(_MP_ENTRY, 0), entry.get(-2, 0)
    found = []
    for place in range(at, min(at + length, len(block)) - 15, 16):
        attribute, size, offset = struct.unpack_from(_order(block) + "III", block, place)
        if (
            (attribute >> 16) & 0xFF != _LARGE_THUMBNAIL
            or not 0 < size <= _LARGEST_PREVIEW_BYTES
            or not offset
        ):
            continue
        stream.seek(base + offset)
        picture = _jpeg_at(stream.read(size))
        found += [picture] if picture else []
    return found


def _jpeg_at(data: bytes) -> bytes | None:
    return data if data[:3] == b"\xff\xd8\xff" and len(data) > 64 else None


def _order(block: bytes) -> str:
    return "<" if block[:2] == b"II" else ">"


def _u32(block: bytes, at: int) -> int:
    return int(struct.unpack_from(_order(block) + "I", block, at)[0]) if 0 <= at <= len(block) - 4 else 0


def _directory(block: bytes, at: int, counted: int | None = None) -> dict[int, int]:
    """A directory's entries as tag to number (of the first value, or where the values lie); {} if damaged.

    Under -1 the place of the next directory; under -2 the number of values of the entry `counted`.
    """
    if not 8 <= at <= len(block) - 2 or block[:2] not in (b"II", b"MM"):
        return {}
    order = _order(block)
    count = struct.unpack_from(order + "H", block, at)[0]
    if at + 2 + 12 * count > len(block):
        return {}
    entries: dict[int, int] = {}
    for place in range(at + 2, at + 2 + 12 * count, 12):
        tag, kind, values = struct.unpack_from(order + "HHI", block, place)
        short = kind == 3 and values == 1
        entries[tag] = struct.unpack_from(order + ("H" if short else "I"), block, place + 8)[0]
        if tag == counted:
            entries[-2] = values
    entries[-1] = _u32(block, at + 2 + 12 * count)
    return entries
