"""IPTC-IIM records: what they hold, without the places, and the JPEG segment they travel in.

Sources: IPTC - NAA Information Interchange Model, version 4.2 (2014), chapter 1 for data sets (0x1C, record,
number, length; the longer form where the length's highest bit is set) and chapter 6 for the numbers of those
that name a place; both from memory. ITU-T T.81, B.1.1.4, for the segment. How records lie in an APP13
segment (a signature, then resource blocks "8BIM" of number, padded name, length, padded data; records are
number 0x0404) is common practice without a published standard.
"""

from __future__ import annotations

from collections.abc import Iterator

from belvedere.errors import BelvedereError

_MARK = 0x1C
_APPLICATION = 2
# Content location code and name, city, sublocation, province or state, country code, country name.
_PLACES = {26, 27, 90, 92, 95, 100, 101}

_SIGNATURE = bytes.fromhex("50686f746f73686f7020332e3000")
_BLOCK = b"8BIM"
_RECORDS = 0x0404
_SEGMENT_BYTES = 65_533
_APP13 = b"\xff\xed"


class DamagedRecords(BelvedereError):
    """Records that cannot be read to their end."""


def sound_records(records: bytes, *, with_place: bool = True) -> bytes:
    """The data sets, without what fills them up behind, and without those that name a place unless wanted.

    It reads no text: a place named in a caption or a keyword stays.

    Raises
    ------
    DamagedRecords
        If they are cut short or are no such records.
    """
    return b"".join(
        data
        for record, number, data in _data_sets(records)
        if with_place or record != _APPLICATION or number not in _PLACES
    )


def _data_sets(records: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Record, number and whole bytes of each."""
    at = 0
    while at < len(records):
        if records[at] != _MARK:
            if any(records[at:]):
                raise DamagedRecords("the IPTC records are damaged")
            return
        head = records[at : at + 5]
        length = int.from_bytes(head[3:5], "big")
        start = at + 5
        if length & 0x8000:
            count = length & 0x7FFF
            length = int.from_bytes(records[start : start + count], "big")
            start += count
        end = start + length
        if len(head) < 5 or end > len(records):
            raise DamagedRecords("the IPTC records are cut short")
        yield head[1], head[2], records[at:end]
        at = end


def records_segment(records: bytes) -> bytes | None:
    """The whole APP13 segment of a JPEG, marker and length included; None where it would be too long."""
    padded = records + bytes(len(records) % 2)
    head = _SIGNATURE + _BLOCK + _RECORDS.to_bytes(2, "big") + b"\0\0" + len(records).to_bytes(4, "big")
    size = len(head) + len(padded)
    return _APP13 + (size + 2).to_bytes(2, "big") + head + padded if size <= _SEGMENT_BYTES else None


def segment_records(content: bytes) -> bytes | None:
    """The records in what an APP13 segment holds; None where it has none."""
    if not content.startswith(_SIGNATURE):
        return None
    at = len(_SIGNATURE)
    while content[at : at + 4] == _BLOCK and at + 7 <= len(content):
        number = int.from_bytes(content[at + 4 : at + 6], "big")
        at += 6 + (content[at + 6] | 1) + 1  # the name's length and its letters, padded to an even number
        size = int.from_bytes(content[at : at + 4], "big")
        data = content[at + 4 : at + 4 + size]
        if number == _RECORDS:
            return data
        at += 4 + size + size % 2
    return None
