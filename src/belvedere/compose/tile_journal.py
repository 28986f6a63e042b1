"""A journal of the tiles already in a growing file, so that a later run may go on where an earlier one ended.

One JSON line that says what the file is, then a record of fixed length for every tile. Nothing in it is
trusted: a record counts only if the bytes it points to have its checksum.
"""

from __future__ import annotations

import errno
import json
import os
import struct
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

_RECORD = struct.Struct("<QQII")  # tile, offset, length, checksum


@dataclass(frozen=True, slots=True)
class TileRecord:
    """Where a tile lies in the file: index (row by row), offset and length in bytes, CRC-32 of its bytes."""

    tile: int
    offset: int
    length: int
    checksum: int


class TileJournal:
    """The journal of one file, open for more records.

    Parameters
    ----------
    path : Path
        Of the journal; written anew.
    identity : str
        Names everything the file's bytes depend on.
    part : Path
        The file that grows.
    records : sequence of TileRecord
        Tiles that are already in it.
    """

    def __init__(self, path: Path, identity: str, part: Path, records: list[TileRecord]) -> None:
        self.path = path
        head = json.dumps({"schema": "belvedere.tiles/1", "identity": identity, "part": str(part)})
        fresh = path.with_name(path.name + ".new")
        data = head.encode() + b"\n" + b"".join(_pack(record) for record in records)
        fresh.write_bytes(data)
        fresh.replace(path)
        self._end = len(data)
        self._file: IO[bytes] = path.open("r+b", buffering=0)

    def add(self, record: TileRecord) -> None:
        """Note a tile whose bytes are in the file."""
        self._file.seek(self._end)  # over what a failed call may have left
        if self._file.write(_pack(record)) != _RECORD.size:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self._end += _RECORD.size

    def close(self) -> None:
        """Stop writing; the journal stays."""
        self._file.close()

    def discard(self) -> None:
        """Stop writing and remove the journal."""
        self._file.close()
        with suppress(OSError):
            self.path.unlink()


def read_journal(path: Path) -> tuple[str, Path, list[TileRecord]] | None:
    """(identity, part, records) of a journal; None where there is none that can be read.

    A record cut short at the end is left out.
    """
    try:
        head, _, body = path.read_bytes().partition(b"\n")
        fields = json.loads(head)
        if fields["schema"] != "belvedere.tiles/1":
            return None
        identity, part = str(fields["identity"]), Path(fields["part"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    whole = len(body) // _RECORD.size * _RECORD.size
    return identity, part, [TileRecord(*fields) for fields in _RECORD.iter_unpack(body[:whole])]


def good_records(records: list[TileRecord], file: IO[bytes], start: int, tiles: int) -> Iterator[TileRecord]:
    """The records, in order, up to the first that does not hold.

    Parameters
    ----------
    records : list of TileRecord
        As written: each tile follows the one before without a gap.
    file : binary file
        The part they describe.
    start : int
        Offset of the first tile.
    tiles : int
        Number of tiles of the whole picture.
    """
    seen: set[int] = set()
    for record in records:
        if record.offset != start or record.tile >= tiles or record.tile in seen:
            return
        file.seek(record.offset)
        data = file.read(record.length)
        if len(data) != record.length or zlib.crc32(data) != record.checksum:
            return
        seen.add(record.tile)
        start += record.length
        yield record


def _pack(record: TileRecord) -> bytes:
    return _RECORD.pack(record.tile, record.offset, record.length, record.checksum)
