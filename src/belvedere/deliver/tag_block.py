"""The tags of a picture as the file holds them, value for value, whatever they mean; and back into bytes.

Sources: TIFF 6.0 (Adobe, 1992), section 2; the BigTIFF design (Aware Systems, 2007); Exif 3.0 (CIPA
DC-008-2023), 4.6.3, for the directories that tags 34665, 34853 and 40965 point to.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Literal

import numpy as np

from belvedere.compose.ifd import LONG, LONG8, Tag, ifd_bytes, long_tag

EXIF_POINTER, GPS_POINTER, INTEROPERABILITY_POINTER = 34665, 34853, 40965
XMP, IPTC, ICC = 700, 33723, 34675

_MAKER_NOTE = 37500
"""Holds places in the file it was written for, and so is worth nothing in another."""

_WORD_BYTES = {3: 2, 8: 2, 4: 4, 5: 4, 9: 4, 10: 4, 11: 4, 13: 4, 12: 8, 16: 8, 17: 8, 18: 8}
_VALUE_BYTES = {1: 1, 2: 1, 6: 1, 7: 1, 129: 1, 5: 8, 10: 8} | {
    k: n for k, n in _WORD_BYTES.items() if k not in (5, 10)
}
_LARGEST_VALUE = 64 << 20
_MOST_ENTRIES = 4096


@dataclass(frozen=True, slots=True)
class TagBlock:
    """A picture's tags by directory, little-endian, as they lie in the file.

    Parameters
    ----------
    main, exif, gps, interoperability : tuple of Tag
        Pointers to directories, maker notes and damaged entries are left out; of the main directory only what
        is longer than `_LARGEST_VALUE` besides.
    """

    main: tuple[Tag, ...] = ()
    exif: tuple[Tag, ...] = ()
    gps: tuple[Tag, ...] = ()
    interoperability: tuple[Tag, ...] = ()

    def find(self, number: int) -> Tag | None:
        """The main directory's tag of this number."""
        return next((tag for tag in self.main if tag.number == number), None)


def read_tag_block(stream: BinaryIO, at: int | None = None) -> TagBlock:
    """Read the tags of a TIFF structure.

    Parameters
    ----------
    stream : binary file
        The structure begins at its first byte.
    at : int, optional
        Where the main directory lies; the first one if not given.

    Returns
    -------
    block : TagBlock
        Empty where there is no such structure; what is damaged is left out.
    """
    try:
        return _read(stream, at)
    except (struct.error, OSError, OverflowError, ValueError):  # the block is outside data
        return TagBlock()


def _read(stream: BinaryIO, at: int | None) -> TagBlock:
    stream.seek(0)
    head = stream.read(16)
    order: Literal["<", ">"] = "<" if head[:2] == b"II" else ">"
    if head[:2] not in (b"II", b"MM"):
        return TagBlock()
    big = struct.unpack(order + "H", head[2:4])[0] == 43
    first = struct.unpack(order + ("Q" if big else "I"), head[8:16] if big else head[4:8])[0]
    main = tuple(_directory(stream, first if at is None else at, order, big=big))

    def pointed(tags: tuple[Tag, ...], number: int) -> tuple[Tag, ...]:
        pointer = next((t for t in tags if t.number == number and t.count == 1), None)
        if pointer is None:
            return ()
        place = int.from_bytes(pointer.data, "little")
        try:
            return tuple(_directory(stream, place, order, big=big))
        except (struct.error, OSError, OverflowError, ValueError):
            return ()

    exif = pointed(main, EXIF_POINTER)
    return TagBlock(
        _without_pointers(main),
        _without_pointers(exif),
        pointed(main, GPS_POINTER),
        pointed(exif, INTEROPERABILITY_POINTER),
    )


def _without_pointers(tags: tuple[Tag, ...]) -> tuple[Tag, ...]:
    gone = (EXIF_POINTER, GPS_POINTER, INTEROPERABILITY_POINTER, _MAKER_NOTE)
    return tuple(tag for tag in tags if tag.number not in gone)


def _directory(stream: BinaryIO, at: int, order: str, *, big: bool) -> Iterator[Tag]:
    stream.seek(at)
    (count,) = struct.unpack(order + ("Q" if big else "H"), stream.read(8 if big else 2))
    if count > _MOST_ENTRIES:
        return
    size, inline = (20, 8) if big else (12, 4)
    entries = stream.read(size * count)
    for k in range(len(entries) // size):
        entry = entries[k * size : (k + 1) * size]
        number, kind = struct.unpack(order + "HH", entry[:4])
        (values,) = struct.unpack(order + ("Q" if big else "I"), entry[4 : 4 + inline])
        length = values * _VALUE_BYTES.get(kind, 0)
        if not 0 < length <= _LARGEST_VALUE:
            continue
        if length <= inline:
            data = entry[-inline:][:length]
        else:
            stream.seek(struct.unpack(order + ("Q" if big else "I"), entry[-inline:])[0])
            data = stream.read(length)
        # IPTC's bytes are in their own order, though often tagged as numbers of 32 bits
        if order == ">" and kind in _WORD_BYTES and number != IPTC:
            data = np.frombuffer(data, f">u{_WORD_BYTES[kind]}").astype(f"<u{_WORD_BYTES[kind]}").tobytes()
        if len(data) == length:
            yield Tag(number, kind, values, data)


def block_bytes(block: TagBlock) -> bytes:
    """A classic TIFF structure of these tags without a picture, as JPEG's APP1 and PNG's eXIf carry it.

    Numbers of 64 bits, which a classic TIFF does not know, become 32-bit ones or, too large, are left out.
    """
    head = b"II*\0\x08\0\0\0"
    return head + directory_bytes(block, 8, big=False)


def directory_bytes(block: TagBlock, at: int, *, big: bool) -> bytes:
    """The main directory of a block and those it points to, in one piece to lie at `at`, a multiple of 8.

    The length depends on how many tags and values there are, not on `at` nor on the values.
    """
    main, exif = list(_fitting(block.main, big=big)), list(_fitting(block.exif, big=big))
    gps, inter = list(_fitting(block.gps, big=big)), list(_fitting(block.interoperability, big=big))
    if inter:
        exif.append(long_tag(INTEROPERABILITY_POINTER, 0))
    exif_slot = [long_tag(EXIF_POINTER, 0)] if exif else []
    gps_slot = [long_tag(GPS_POINTER, 0)] if gps else []
    exif_at = at + len(ifd_bytes([*main, *exif_slot, *gps_slot], at, big=big))
    inter_at = exif_at + (len(ifd_bytes(exif, exif_at, big=big)) if exif else 0)
    gps_at = inter_at + (len(ifd_bytes(inter, inter_at, big=big)) if inter else 0)
    if exif:
        main.append(long_tag(EXIF_POINTER, exif_at))
    if gps:
        main.append(long_tag(GPS_POINTER, gps_at))
    if inter:
        exif[-1] = long_tag(INTEROPERABILITY_POINTER, inter_at)
    parts = [ifd_bytes(main, at, big=big)]
    parts += [ifd_bytes(tags, start, big=big) for tags, start in ((exif, exif_at), (inter, inter_at)) if tags]
    parts += [ifd_bytes(gps, gps_at, big=big)] if gps else []
    return b"".join(parts)


def _fitting(tags: tuple[Tag, ...], *, big: bool) -> Iterator[Tag]:
    """Tags that this kind of TIFF knows."""
    for tag in tags:
        if big or tag.kind not in (LONG8, 17, 18):
            yield tag
        elif tag.kind == LONG8:
            wide = np.frombuffer(tag.data, "<u8")
            if wide.max(initial=0) < 2**32:
                yield Tag(tag.number, LONG, tag.count, wide.astype("<u4").tobytes())
