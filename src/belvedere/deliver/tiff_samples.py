"""The samples of a TIFF page, rectangle by rectangle: only the strips or tiles it touches are decoded.

Source: TIFF 6.0 (Adobe, 1992): sections 7 and 15 for strips and tiles, 14 for the predictor, ExtraSamples for
coverage; the BigTIFF design (Aware Systems, 2007).
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.positional_read import PositionalReader
from belvedere.capture.tiff_pages import check_tiff_page, page_codecs, segments
from belvedere.errors import UnreadableFile

_MINISWHITE, _RGB, _PALETTE = 0, 2, 3
_DEFLATED = (8, 32946)  # two numbers for the same
_NONE, _JPEG = 1, 7
_FLOAT, _BY_PLANES = 3, 3
_ASSOCIATED, _UNASSOCIATED = 1, 2
_CUT_SHORT = "is cut short or damaged; copy or export it again"
_ANY_SIZE = 2**64
LARGEST_SEGMENT_BYTES = 256 << 20
"""Largest compressed strip or tile that is decoded, bytes of samples."""


class TiffSamples:
    """Reads rectangles of one page; any number of threads at once. 8 or 16 bits, or 32-bit floating point.

    Parameters
    ----------
    page : tifffile page
    file : Path
    workers : int
        Threads that decode the segments of one large rectangle.
    cache_bytes : int
        Decoded strips and tiles kept for the next rectangle.

    Raises
    ------
    UnreadableFile
        If the page holds samples of a kind that is not read, or is cut short.
    """

    def __init__(self, page: Any, file: Path, *, workers: int = 1, cache_bytes: int = 64 << 20) -> None:
        check_tiff_page(page, file, largest_px=_ANY_SIZE, floats=True)
        self.width, self.height = int(page.imagewidth), int(page.imagelength)
        self._file, self._page = file, page
        self._tall, self._wide, self._down, self._across, self._planes = segments(page, file)
        self._in_segment = page.samplesperpixel if self._planes == 1 else 1
        self._native = np.dtype(f"{'f' if page.sampleformat == _FLOAT else 'u'}{page.bitspersample // 8}")
        by_planes = int(page.predictor) == _BY_PLANES  # of bytes, whatever their order elsewhere
        self._stored = self._native.newbyteorder("=" if by_planes else page.parent.byteorder)
        colours = 3 if page.photometric not in (_MINISWHITE, 1, _PALETTE) else 1
        extra = page.extrasamples[0] if page.extrasamples else 0
        has_more = page.samplesperpixel > colours and page.photometric != _PALETTE
        self._alpha = int(extra) if has_more and int(extra) in (_ASSOCIATED, _UNASSOCIATED) else 0
        if self._native.kind == "f" and self._alpha == _ASSOCIATED:
            raise UnreadableFile(file, "has its colours multiplied by their coverage; export it without")
        self._kept = colours + (1 if self._alpha else 0)
        self.has_coverage = bool(self._alpha)
        self.bits = 8 if page.photometric == _PALETTE else int(page.bitspersample)
        self._offsets, self._counts = page.dataoffsets, page.databytecounts
        self._tables = page.jpegtables if int(page.compression) == _JPEG else None
        self._as_jpeg: Callable[..., Any] | None = page.decode if int(page.compression) == _JPEG else None
        self._decompress, self._unpredict = _codecs(page, file)
        self._palette = (
            np.asarray(page.colormap) if page.photometric == _PALETTE else np.zeros((3, 0), np.uint16)
        )
        self._in_place = int(page.compression) == _NONE and int(page.predictor) == 1
        size = self._tall * self._wide * self._in_segment * self._native.itemsize
        if not self._in_place and size > LARGEST_SEGMENT_BYTES:
            raise UnreadableFile(
                file,
                f"is compressed in strips of {size // 1_000_000} MB, which cannot be read in pieces; "
                "save it as a tiled TIFF",
            )
        self.step = self._tall if not self._in_place else 1
        self.in_squares = bool(page.is_tiled) or self._in_place
        self._cache: OrderedDict[int, NDArray[Any]] = OrderedDict()
        self._cached, self._cache_bytes = 0, cache_bytes
        self._lock = threading.Lock()
        self._reader = PositionalReader(1)
        self._reader.read_into(file, memoryview(bytearray(1)), 0)  # it stays open, though it be deleted
        self._pool = ThreadPoolExecutor(workers) if workers > 1 else None

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """Samples of a rectangle within the page; (y1 - y0, x1 - x0, 3 or 4).

        Raises
        ------
        UnreadableFile
            If the file is damaged there, or has become shorter.
        """
        raw = np.empty((y1 - y0, x1 - x0, self._kept), self._native)
        jobs = [
            (plane, row, column)
            for plane in range(min(self._planes, self._kept))
            for row in range(y0 // self._tall, -(-y1 // self._tall))
            for column in range(x0 // self._wide, -(-x1 // self._wide))
        ]
        fill = self._copy_rows if self._in_place else self._copy_segment

        def job(place: tuple[int, int, int]) -> None:
            fill(raw, (x0, y0, x1, y1), *place)

        try:
            if self._pool is None or len(jobs) < 4:
                for place in jobs:
                    job(place)
            else:
                list(self._pool.map(job, jobs))
        except (UnreadableFile, MemoryError):
            raise
        except OSError as error:
            why = f"cannot be read ({error.strerror})" if error.errno else _CUT_SHORT
            raise UnreadableFile(self._file, why) from error
        except Exception as error:  # codecs raise errors of their own for damaged data
            raise UnreadableFile(self._file, _CUT_SHORT) from error
        return self._as_colours(raw)

    def encoded_tile(self, column: int, row: int, side: int) -> bytes | None:
        """A tile's bytes where the file holds it as `compose.tile_code.encode_tile` would write it, or None.

        They are not looked into: a tile that is read as well is known to be sound.

        Raises
        ------
        UnreadableFile
            If the file has become shorter.
        """
        page = self._page
        as_written = (
            page.is_tiled
            and self._tall == self._wide == side
            and int(page.compression) in _DEFLATED
            and int(page.predictor) == 2
            and int(page.photometric) == _RGB
            and page.samplesperpixel == self._kept
            and self._planes == 1
            and self._alpha != _ASSOCIATED
            and (self.bits == 8 or (self.bits == 16 and page.parent.byteorder == "<"))
        )
        if not as_written:
            return None
        index = row * self._across + column
        data = bytearray(self._counts[index])
        try:
            self._reader.read_into(self._file, memoryview(data), self._offsets[index])
        except OSError as error:
            why = f"cannot be read ({error.strerror})" if error.errno else _CUT_SHORT
            raise UnreadableFile(self._file, why) from error
        return bytes(data)

    def close(self) -> None:
        """Let go of the file and what is kept of it."""
        if self._pool is not None:
            self._pool.shutdown()
        self._reader.close()
        with self._lock:
            self._cache.clear()

    def _copy_segment(
        self, raw: NDArray[Any], box: tuple[int, int, int, int], plane: int, row: int, column: int
    ) -> None:
        """Copy what a segment has of the rectangle."""
        x0, y0, x1, y1 = box
        top, left = row * self._tall, column * self._wide
        bottom, right = min(top + self._tall, self.height), min(left + self._wide, self.width)
        a, b, c, d = max(y0, top), min(y1, bottom), max(x0, left), min(x1, right)
        whole = (a, b, c, d) == (top, bottom, left, right)  # it will hardly be asked for again
        segment = self._segment((plane * self._down + row) * self._across + column, row, keep=not whole)
        piece = segment[a - top : b - top, c - left : d - left]
        if piece.shape[:2] != (b - a, d - c):
            raise UnreadableFile(self._file, _CUT_SHORT)
        target = raw[a - y0 : b - y0, c - x0 : d - x0]
        if self._planes == 1:
            target[...] = piece[..., : self._kept]
        else:
            target[..., plane] = piece[..., 0]

    def _segment(self, index: int, row: int, *, keep: bool) -> NDArray[Any]:
        with self._lock:
            found = self._cache.get(index)
            if found is not None:
                self._cache.move_to_end(index)
                return found
        decoded = self._decode(index, row)
        with self._lock:
            if keep and index not in self._cache and decoded.nbytes <= self._cache_bytes:
                self._cache[index] = decoded
                self._cached += decoded.nbytes
                while self._cached > self._cache_bytes:
                    self._cached -= self._cache.popitem(last=False)[1].nbytes
        return decoded

    def _decode(self, index: int, row: int) -> NDArray[Any]:
        """A segment of shape (rows, columns, samples), in this machine's byte order."""
        data = bytearray(self._counts[index])
        self._reader.read_into(self._file, memoryview(data), self._offsets[index])
        if self._as_jpeg is not None:
            decoded: NDArray[Any] = self._as_jpeg(bytes(data), index, jpegtables=self._tables)[0][0]
            return decoded
        rows = self._tall if self._page.is_tiled else min(self._tall, self.height - row * self._tall)
        shape = (rows, self._wide, self._in_segment)
        count = rows * self._wide * self._in_segment
        plain = (
            data
            if self._decompress is None
            else self._decompress(bytes(data), out=count * self._native.itemsize)
        )
        if len(plain) < count * self._native.itemsize:
            raise UnreadableFile(self._file, _CUT_SHORT)
        piece: NDArray[Any] = (
            np.frombuffer(plain, self._stored, count).reshape(shape).astype(self._native, copy=False)
        )
        whole: NDArray[Any] = piece if self._unpredict is None else self._unpredict(piece, axis=-2)
        return whole

    def _copy_rows(
        self, raw: NDArray[Any], box: tuple[int, int, int, int], plane: int, row: int, column: int
    ) -> None:
        """Copy what a segment that is not compressed has of the rectangle, without reading the rest of it."""
        x0, y0, x1, y1 = box
        top, left = row * self._tall, column * self._wide
        a, b = max(y0, top), min(y1, top + self._tall, self.height)
        c, d = max(x0, left), min(x1, left + self._wide, self.width)
        start = self._offsets[(plane * self._down + row) * self._across + column]
        pixel = self._in_segment * self._native.itemsize
        whole = (c, d) == (left, left + self._wide)
        at_once = max(1, (8 << 20) // (self._wide * pixel)) if whole else 1
        for y in range(a, b, at_once):
            rows = min(at_once, b - y)
            data = bytearray(rows * (d - c) * pixel)
            place = start + ((y - top) * self._wide + (c - left)) * pixel
            self._reader.read_into(self._file, memoryview(data), place)
            piece = np.frombuffer(data, self._stored).reshape(rows, d - c, self._in_segment)
            target = raw[y - y0 : y - y0 + rows, c - x0 : d - x0]
            if self._planes == 1:
                target[...] = piece[..., : self._kept]
            else:
                target[..., plane] = piece[..., 0]

    def _as_colours(self, raw: NDArray[Any]) -> NDArray[Any]:
        """Three colours, and coverage where there is one, from the samples that were kept."""
        photometric = self._page.photometric
        if photometric == _PALETTE:
            looked_up = self._palette.T[raw[..., 0]]  # (2^bits, 3), uint16
            return np.ascontiguousarray(looked_up >> 8).astype(np.uint8)
        if photometric == _MINISWHITE:
            raw[..., 0] = np.iinfo(raw.dtype).max - raw[..., 0]
        if raw.shape[2] < 3:
            raw = np.concatenate([np.repeat(raw[..., :1], 3, axis=2), raw[..., 1:]], axis=2)
        return _unassociated(raw) if self._alpha == _ASSOCIATED else raw


def _unassociated(samples: NDArray[Any]) -> NDArray[Any]:
    """Colours divided by their coverage, rounded; 0 where nothing is covered."""
    most = int(np.iinfo(samples.dtype).max)
    alpha = samples[..., 3:].astype(np.uint64)
    part = (samples[..., :3].astype(np.uint64) * most + alpha // 2) // np.maximum(alpha, 1)
    colours = np.where(alpha > 0, np.minimum(part, most), 0).astype(samples.dtype)
    return np.concatenate([colours, samples[..., 3:]], axis=2)


def _codecs(page: Any, file: Path) -> tuple[Callable[..., Any] | None, Callable[..., Any] | None]:
    """What undoes a page's compression and its predictor; None where there is nothing to undo."""
    if int(page.compression) == _JPEG:
        return None, None
    if int(page.predictor) not in ((1, _BY_PLANES) if page.sampleformat == _FLOAT else (1, 2)):
        raise UnreadableFile(file, "is compressed in a way that is not read; export it with deflate or LZW")
    return page_codecs(page)
