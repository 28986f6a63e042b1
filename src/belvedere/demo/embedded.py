"""Pictures embedded in a camera's JPEG: the Exif thumbnail, and a larger preview behind the picture."""

from __future__ import annotations

import struct

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image

THUMBNAIL = (160, 120)
"""Width and height, px (CIPA DC-009, DCF basic thumbnails)."""
_PRIMARY, _PREVIEW_VGA, _PREVIEW_HD = 0x030000, 0x010001, 0x010002  # CIPA DC-007, table of MP type codes
_REPRESENTATIVE, _PARENT, _CHILD = 1 << 29, 1 << 31, 1 << 30


def thumbnail(stored: NDArray[np.uint8]) -> bytes:
    """A JPEG of 160 x 120 px of a picture as stored, bars of black where its shape is another."""
    height, width = stored.shape[:2]
    scale = min(THUMBNAIL[0] / width, THUMBNAIL[1] / height)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    out = np.zeros((THUMBNAIL[1], THUMBNAIL[0], 3), dtype=np.uint8)
    x, y = (THUMBNAIL[0] - size[0]) // 2, (THUMBNAIL[1] - size[1]) // 2
    out[y : y + size[1], x : x + size[0]] = cv2.resize(stored, size, interpolation=cv2.INTER_AREA)
    return bytes(simplejpeg.encode_jpeg(out, quality=80, colorspace="RGB", colorsubsampling="422"))


def preview(stored: NDArray[np.uint8], long_side: int) -> bytes | None:
    """A smaller JPEG of a picture as stored; None where the picture is no larger than that."""
    return reduced(stored, long_side) if 0 < long_side < max(stored.shape[:2]) else None


def reduced(stored: NDArray[np.uint8], long_side: int) -> bytes:
    """A JPEG of a picture as stored, its long side `long_side` px at most."""
    height, width = stored.shape[:2]
    scale = long_side / max(width, height)
    if scale < 1.0:
        size = round(width * scale), round(height * scale)
        stored = np.asarray(cv2.resize(stored, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    stored = np.ascontiguousarray(stored)
    return bytes(simplejpeg.encode_jpeg(stored, quality=85, colorspace="RGB", colorsubsampling="420"))


def exif_segment(exif: Image.Exif, picture: bytes | None) -> bytes:
    """An APP1 segment with the Exif and, in its second directory, a thumbnail (Exif 3.0, 4.5.5 and 4.6.3)."""
    block = bytearray(exif.tobytes())
    if picture is not None:
        tiff = block[6:]
        if tiff[:2] != b"MM":
            raise ValueError(f"expected big-endian Exif, got {bytes(tiff[:4])!r}")
        tiff += b"\0" * (len(tiff) % 2)
        first = int.from_bytes(tiff[4:8], "big")
        following = first + 2 + 12 * int.from_bytes(tiff[first : first + 2], "big")
        tiff[following : following + 4] = len(tiff).to_bytes(4, "big")
        tiff += _second_directory(len(tiff), len(picture)) + picture
        block[6:] = tiff
    return _segment(0xE1, bytes(block))


def _second_directory(start: int, picture_bytes: int) -> bytes:
    """Compression 6 (JPEG), 72 px an inch, and where the JPEG lies: right behind the directory."""
    values = start + 2 + 12 * 6 + 4
    entries = [
        (0x0103, 3, 6 << 16),
        (0x011A, 5, values),
        (0x011B, 5, values),
        (0x0128, 3, 2 << 16),
        (0x0201, 4, values + 8),
        (0x0202, 4, picture_bytes),
    ]
    directory = struct.pack(">H", len(entries))
    for tag, kind, value in entries:
        directory += struct.pack(">HHII", tag, kind, 1, value)
    return directory + struct.pack(">III", 0, 72, 1)


def preview_segment(place: int, body_bytes: int, picture: bytes) -> bytes:
    """The APP2 segment that tells of a preview behind the picture (CIPA DC-007, MP Index IFD).

    Parameters
    ----------
    place : int
        Where in the file the segment will start.
    body_bytes : int
        Size of the whole file up to the preview, this segment not counted.
    """
    height, width, _, _ = simplejpeg.decode_jpeg_header(picture)
    kind = _PREVIEW_VGA if max(width, height) <= 640 else _PREVIEW_HD
    size = 4 + len(_index(0, 0, 0, kind))
    whole = body_bytes + size
    header = place + 8  # offsets count from the byte-order mark, behind marker, length and "MPF\0"
    return _segment(0xE2, _index(whole, whole - header, len(picture), kind))


def _index(first_bytes: int, offset: int, second_bytes: int, kind: int) -> bytes:
    entries = struct.pack(">IIIHH", _REPRESENTATIVE | _PARENT | _PRIMARY, first_bytes, 0, 2, 0)
    entries += struct.pack(">IIIHH", _CHILD | kind, second_bytes, offset, 0, 0)
    out = b"MM\x00\x2a" + struct.pack(">IH", 8, 3)
    out += struct.pack(">HHI4s", 0xB000, 7, 4, b"0100")  # MPFVersion
    out += struct.pack(">HHII", 0xB001, 4, 1, 2)  # NumberOfImages
    out += struct.pack(">HHII", 0xB002, 7, len(entries), 8 + 2 + 12 * 3 + 4)  # MPEntry
    return b"MPF\0" + out + struct.pack(">I", 0) + entries


def _segment(marker: int, data: bytes) -> bytes:
    return bytes((0xFF, marker)) + (len(data) + 2).to_bytes(2, "big") + data
