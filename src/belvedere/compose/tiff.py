"""Stitched pictures of any size as tiled TIFF, written tile by tile: red, green, blue and coverage.

The file's head (header, directory, ICC profile, Exif) has a length known beforehand. Tiles are appended after
it as they come; the head is written last, so that an unfinished file is no TIFF at all.
"""

from __future__ import annotations

import os
import threading
import zlib
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.finished_file import disk_space, free_bytes, output_failed, part_path, put_in_place
from belvedere.compose.tile_journal import TileJournal, TileRecord, good_records, read_journal
from belvedere.errors import OutputFailed


class TileForm(Protocol):
    """What a tiled file looks like, known before the first tile: `PictureFormat` for a stitched picture."""

    @property
    def width(self) -> int:
        """Of the picture, px."""
        ...

    @property
    def height(self) -> int:
        """Of the picture, px."""
        ...

    @property
    def tile(self) -> int:
        """Side of a tile, px."""
        ...

    @property
    def columns(self) -> int:
        """Tiles across the picture."""
        ...

    @property
    def rows(self) -> int:
        """Tiles down."""
        ...

    @property
    def tiles(self) -> int:
        """Tiles of the whole file."""
        ...

    @property
    def head_length(self) -> int:
        """Bytes before the first tile."""
        ...

    @property
    def most_bytes(self) -> int:
        """Size of the finished file that it cannot exceed."""
        ...

    def expected_bytes(self, covered_fraction: float = 1.0) -> int:
        """Size of the finished file for a usual photograph."""
        ...

    def index(self, column: int, row: int, level: int = 0) -> int:
        """Where a tile of a level stands in the tables; raises ValueError where there is none."""
        ...

    def head(self, offsets: NDArray[np.uint64], lengths: NDArray[np.uint64]) -> bytes:
        """The file's first bytes, at most `head_length`, once it is known where every tile lies."""
        ...

    def identity(self, key: str = "") -> str:
        """Stands for all the file's bytes depend on."""
        ...


class TiledTiff:
    """A TIFF that grows tile by tile and takes its name when it is whole.

    Threads may call `put` at once; the bytes of the file depend only on the order of the calls, the picture
    not even on that. Memory: 16 bytes a tile. As a context manager it closes at the end of the block, or
    aborts when the block is left by an error; either way the file of that name is whole, old or new.

    Parameters
    ----------
    path : Path
        The final name.
    form : TileForm
        Size, depth and tags.
    covered_fraction : float
        Share of the picture that is covered, for the estimate of space.
    journal : Path, optional
        Where to note the tiles (in the work folder), so that `TiledTiff.resume` can go on after a crash or a
        stop. With a journal an aborted file is kept, under its temporary name, until it is resumed or
        replaced.
    key : str
        Stands for everything the pixels depend on; a journal with another key is not continued.

    Raises
    ------
    OutputFailed
        If the folder is missing or may not be written to, or the disk is too full; at once.
    """

    def __init__(
        self,
        path: Path,
        form: TileForm,
        *,
        covered_fraction: float = 1.0,
        journal: Path | None = None,
        key: str = "",
    ) -> None:
        self.path = path
        self.form = form
        if journal is not None:
            _remove_part_of(journal, path)
        self._begin(part_path(path.absolute()), [], covered_fraction, journal, key)

    @classmethod
    def resume(
        cls,
        path: Path,
        form: TileForm,
        *,
        journal: Path,
        covered_fraction: float = 1.0,
        key: str = "",
    ) -> Self:
        """Go on with the file that `journal` tells of, after its last sound tile.

        Where the journal is missing or tells of another picture, begin anew. `is_put` says what
        is there. Parameters and errors as for the class.
        """
        found = read_journal(journal)
        if found is None or found[0] != form.identity(key) or not _is_part_of(found[1], path):
            return cls(path, form, covered_fraction=covered_fraction, journal=journal, key=key)
        self = cls.__new__(cls)
        self.path = path
        self.form = form
        self._begin(found[1], found[2], covered_fraction, journal, key)
        return self

    def _begin(
        self,
        part: Path,
        records: list[TileRecord],
        covered_fraction: float,
        journal: Path | None,
        key: str,
    ) -> None:
        self._part = part
        self._lock = threading.Lock()
        self._offsets = np.zeros(self.form.tiles, dtype=np.uint64)
        self._lengths = np.zeros(self.form.tiles, dtype=np.uint64)
        self._journal: TileJournal | None = None
        self._open = False
        if self.path.is_dir():
            raise OutputFailed(f"{self.path}: this is a folder. Choose a file name.")
        try:
            self._file: IO[bytes] = _open_part(part, keep=bool(records))
        except OSError as error:
            raise output_failed(self.path, error) from error
        self._open = True
        try:
            start = self.form.head_length
            kept = list(good_records(records, self._file, start, self.form.tiles))
            for record in kept:
                self._offsets[record.tile], self._lengths[record.tile] = record.offset, record.length
            self._end = kept[-1].offset + kept[-1].length if kept else start
            self._file.truncate(self._end)
            self._file.seek(0)
            _write_all(self._file, bytes(16))  # no TIFF until it is closed
            self._check_space(self.form.expected_bytes(covered_fraction) - self._end)
            if journal is not None:
                self._journal = _start_journal(journal, self.form.identity(key), part, kept)
        except BaseException as error:
            self._open = False
            self._file.close()
            if not records:  # what an earlier run made stays for a later one
                part.unlink()
            if isinstance(error, OSError):
                raise output_failed(self.path, error, self.form.most_bytes) from error
            raise

    def _check_space(self, needed: int) -> None:
        free = free_bytes(self._part.parent)
        if free < needed:
            raise OutputFailed(
                f"{self.path}: the disk is too full: the picture needs about {disk_space(needed)}, "
                f"{disk_space(free)} is free. Free some space or write to another disk."
            )

    def is_put(self, column: int, row: int, level: int = 0) -> bool:
        """Whether the tile is in the file."""
        return bool(self._lengths[self._index(column, row, level)])

    def get(self, column: int, row: int, level: int = 0) -> bytes:
        """The bytes of a tile that was put.

        Raises
        ------
        OutputFailed
            If the disk fails.
        ValueError
            If it was not put.
        """
        index = self._index(column, row, level)
        with self._lock:
            if not self._open or not self._lengths[index]:
                raise ValueError(f"{self.path}: tile ({column}, {row}) is not there")
            try:
                self._file.seek(int(self._offsets[index]))
                found = self._file.read(int(self._lengths[index]))
            except OSError as error:
                raise self._failed(error) from error
        if len(found) != self._lengths[index]:
            raise OutputFailed(f"{self.path}: has become shorter while it was written. Write it again.")
        return found

    def missing(self) -> list[tuple[int, int]]:
        """(column, row) of the tiles still to come, row by row."""
        return [(int(i) % self.form.columns, int(i) // self.form.columns) for i in self._missing_indices()]

    def put(self, column: int, row: int, encoded: bytes, level: int = 0) -> None:
        """Append a tile made by `encode_tile`; any order, each once. Only some forms have levels above 0.

        Raises
        ------
        OutputFailed
            If the disk is full or fails. What is in the file stays good; the call may be repeated.
        ValueError
            If the tile is outside the picture or already there.
        """
        index = self._index(column, row, level)
        with self._lock:
            if not self._open:
                raise ValueError(f"{self.path}: the file is closed")
            if self._lengths[index]:
                raise ValueError(f"{self.path}: tile ({column}, {row}) is already there")
            try:
                self._file.seek(self._end)
                _write_all(self._file, encoded)
            except OSError as error:
                raise self._failed(error) from error
            if self._journal is not None:
                record = TileRecord(index, self._end, len(encoded), zlib.crc32(encoded))
                try:
                    self._journal.add(record)
                except OSError as error:
                    raise output_failed(self._journal.path, error) from error
            self._offsets[index], self._lengths[index] = self._end, len(encoded)
            self._end += len(encoded)

    def close(self) -> None:
        """Write the head, make the file durable and give it its name.

        Raises
        ------
        ValueError
            If tiles are missing; names the first. The file is aborted.
        OutputFailed
            If the disk is full or fails.
        """
        with self._lock:
            if not self._open:
                return
            gone = self._missing_indices()
            if gone.size:
                self._abort()
                first = (int(gone[0]) % self.form.columns, int(gone[0]) // self.form.columns)
                raise ValueError(f"{self.path}: {gone.size} tiles are missing, the first is {first}")
            try:
                self._file.seek(0)
                _write_all(self._file, self.form.head(self._offsets, self._lengths))
                self._file.flush()
                os.fsync(self._file.fileno())
                self._file.close()
                put_in_place(self._part, self.path.absolute())
            except OSError as error:
                self._abort()
                raise self._failed(error) from error
            self._open = False
            if self._journal is not None:
                self._journal.discard()

    def abort(self) -> None:
        """Give up: remove the unfinished file, or with a journal keep it for `resume`."""
        with self._lock:
            self._abort()

    def discard(self) -> None:
        """Give up for good: remove the unfinished file and the journal."""
        with self._lock:
            if self._journal is not None:
                self._journal.discard()
                self._journal = None
            self._abort()

    def _abort(self) -> None:
        if not self._open:
            return
        self._open = False
        with suppress(OSError):
            self._file.close()
        if self._journal is not None:
            self._journal.close()
        else:
            with suppress(OSError):
                self._part.unlink()

    def _failed(self, error: OSError) -> OutputFailed:
        failed = output_failed(self.path, error, self.form.most_bytes)
        if self._journal is None:
            return failed
        return OutputFailed(
            f"{failed} {self._part.name} keeps what is done; the next run goes on from there."
        )

    def _index(self, column: int, row: int, level: int) -> int:
        try:
            return self.form.index(column, row, level)
        except ValueError as error:
            raise ValueError(f"{self.path}: {error}") from error

    def _missing_indices(self) -> NDArray[np.intp]:
        return np.flatnonzero(self._lengths == 0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self.close()
        else:
            self.abort()


def _open_part(part: Path, *, keep: bool) -> IO[bytes]:
    """The growing file, for reading and writing without a buffer; what is in it stays where `keep`."""
    if keep and part.exists():
        return part.open("r+b", buffering=0)
    return part.open("w+b", buffering=0)


def _write_all(file: IO[bytes], data: bytes) -> None:
    """Write every byte: an unbuffered file may take only some at a time."""
    rest = memoryview(data)
    while rest:
        rest = rest[file.write(rest) :]


def _start_journal(path: Path, identity: str, part: Path, records: list[TileRecord]) -> TileJournal:
    try:
        return TileJournal(path, identity, part, records)
    except OSError as error:
        raise output_failed(path, error) from error


def _is_part_of(part: Path, path: Path) -> bool:
    """Whether `part` is a temporary name that a run writing `path` may have used."""
    return part.parent == path.absolute().parent and part.name.startswith(f".{path.name}.part-")


def _remove_part_of(journal: Path, path: Path) -> None:
    """Remove what an earlier run left that will not be continued."""
    found = read_journal(journal)
    if found is not None and _is_part_of(found[1], path):
        with suppress(OSError):
            found[1].unlink()
