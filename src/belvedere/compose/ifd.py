"""Image file directories of TIFF, classic and Big: the bytes of a list of tags.

Sources: TIFF 6.0 (Adobe, 1992), section 2, for the structure and types; the BigTIFF design (Aware Systems,
2007) for entries of 20 bytes, offsets of 64 bits and type 16. Always little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SIGNED_RATIONAL, LONG8 = 1, 2, 3, 4, 5, 7, 10, 16


@dataclass(frozen=True, slots=True)
class Tag:
    """One entry: its number, TIFF type, how many values, and their little-endian bytes."""

    number: int
    kind: int
    count: int
    data: bytes


def ascii_tag(number: int, text: str) -> Tag:
    """Text, ended by one NUL.

    TIFF 6.0 allows 7-bit ASCII only; other letters go as UTF-8 (common practice, no published source).
    """
    data = text.replace("\0", "").encode("utf-8", errors="replace") + b"\0"
    return Tag(number, ASCII, len(data), data)


def short_tag(number: int, *values: int) -> Tag:
    """Whole numbers of 16 bits."""
    return Tag(number, SHORT, len(values), struct.pack(f"<{len(values)}H", *values))


def long_tag(number: int, *values: int) -> Tag:
    """Whole numbers of 32 bits."""
    return Tag(number, LONG, len(values), struct.pack(f"<{len(values)}I", *values))


def array_tag(number: int, values: NDArray[np.uint64], *, wide: bool) -> Tag:
    """Many whole numbers, of 64 bits where `wide` (BigTIFF only), else of 32."""
    data = values.astype("<u8" if wide else "<u4").tobytes()
    return Tag(number, LONG8 if wide else LONG, values.size, data)


def byte_tag(number: int, data: bytes) -> Tag:
    """Whole numbers of 8 bits."""
    return Tag(number, BYTE, len(data), data)


def rational_tag(number: int, *values: float) -> Tag:
    """Numbers in [0, 2^32), each as the nearest simple fraction of 32-bit numbers: 0.004 becomes 1/250."""
    return _fractions(number, RATIONAL, "<II", 2**32, values)


def signed_rational_tag(number: int, *values: float) -> Tag:
    """Numbers in (-2^31, 2^31), each as the nearest simple fraction of signed 32-bit numbers."""
    return _fractions(number, SIGNED_RATIONAL, "<ii", 2**31, values)


def undefined_tag(number: int, data: bytes) -> Tag:
    """Bytes whose meaning the tag itself defines."""
    return Tag(number, UNDEFINED, len(data), data)


def _fractions(number: int, kind: int, form: str, beyond: int, values: Sequence[float]) -> Tag:
    return Tag(number, kind, len(values), b"".join(_fraction(number, form, beyond, v) for v in values))


def _fraction(number: int, form: str, beyond: int, value: float) -> bytes:
    for denominator in (1_000_000, 10_000, 100, 1):
        fraction = Fraction(value).limit_denominator(denominator)
        if abs(fraction.numerator) < beyond:
            return struct.pack(form, fraction.numerator, fraction.denominator)
    raise ValueError(f"tag {number}: {value} does not fit a fraction of 32-bit numbers")


def ifd_bytes(tags: Iterable[Tag], at: int, *, big: bool) -> bytes:
    """The directory of `tags`, followed by the values that do not fit its entries; no further directory.

    Parameters
    ----------
    tags : iterable of Tag
        In any order; each number once.
    at : int
        Offset in the file where these bytes will lie; a multiple of 8. Their length does not depend on it,
        nor on the tags' values, only on how many values there are.
    big : bool
        BigTIFF entries.

    Returns
    -------
    data : bytes
        Length a multiple of 8.
    """
    ordered = sorted(tags, key=lambda tag: tag.number)
    inline, entry, offset = (8, "<HHQ", "<Q") if big else (4, "<HHI", "<I")
    table_length = _table_length(ordered, big=big)
    table = [struct.pack("<Q" if big else "<H", len(ordered))]
    values: list[bytes] = []
    end = at + table_length
    for tag in ordered:
        table.append(struct.pack(entry, tag.number, tag.kind, tag.count))
        if len(tag.data) <= inline:
            table.append(tag.data.ljust(inline, b"\0"))
        else:
            table.append(struct.pack(offset, end))
            values.append(_to_eight(tag.data))
            end += len(values[-1])
    table.append(struct.pack(offset, 0))
    return b"".join([_to_eight(b"".join(table)), *values])


def _table_length(tags: Sequence[Tag], *, big: bool) -> int:
    length = 8 + 20 * len(tags) + 8 if big else 2 + 12 * len(tags) + 4
    return -(-length // 8) * 8


def _to_eight(data: bytes) -> bytes:
    return data + bytes(-len(data) % 8)
