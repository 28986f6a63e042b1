"""Decoded frames on disk in tiles: each source is decoded once in full, then read in windows by threads."""

from __future__ import annotations

import hashlib
import platform
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from belvedere.capture.bracket_account import BracketAccount, account_path, read_account, write_account
from belvedere.capture.decode import decode
from belvedere.capture.digest import file_sha256, joined_digest
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.frame_source import Pixels
from belvedere.capture.levels import edge_window
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.positional_read import PositionalReader
from belvedere.capture.raw import Mending
from belvedere.capture.tile_file import (
    LAYOUT,
    TILE,
    TileLayout,
    check_space,
    is_whole,
    remove_leftovers,
    write_tile_file,
)
from belvedere.errors import OutputFailed, UnreadableFile

_Key = tuple[int, int, int, int]  # frame, level, column, row


class FrameStore:
    """A FrameSource over a scratch folder, filled frame by frame.

    A frame's file is named by the SHA-256 of its source, its orientation, its light and the layout: a second
    run finds what an earlier one made, whatever the order of the frames, never a picture of an older source.
    A frame of several exposures is named by all of them and merged when it is brought in; what became of its
    exposures is kept beside its file.

    Parameters
    ----------
    folder : Path
        Scratch folder, made if it is not there.
    frames : sequence of Frame
        The set; frame numbers are positions in it.
    cache_bytes : int
        Most bytes of tiles kept in memory.
    open_files : int
        Most files kept open.
    mendings : sequence of (Mending or None), or ()
        For the sensor's values of each frame, where it is a raw file; its file is named by it too.

    Raises
    ------
    OutputFailed
        If the folder cannot be made.
    """

    def __init__(
        self,
        folder: Path,
        frames: Sequence[Frame],
        *,
        cache_bytes: int = 128 << 20,
        open_files: int = 32,
        mendings: Sequence[Mending | None] = (),
    ) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputFailed(f"{folder}: the scratch folder cannot be made ({error})") from error
        remove_leftovers(folder)
        self.folder = folder
        self._frames = tuple(frames)
        self._mendings = tuple(mendings) or (None,) * len(self._frames)
        self._limits = (cache_bytes, open_files)
        self._layouts = tuple(
            TileLayout(f.metadata.width, f.metadata.height, f.metadata.bits) for f in self._frames
        )
        self._files: dict[int, Path] = {}
        self._digests: dict[int, str] = {}
        self._reader = PositionalReader(open_files)
        self._cache = _TileCache(cache_bytes)

    def __reduce__(self) -> tuple[Callable[..., FrameStore], tuple[Any, ...]]:
        """A store in another process is opened anew over the same folder: no pixels travel."""
        return _reopened, (
            self.folder.resolve(),
            self._frames,
            dict(self._digests),
            *self._limits,
            self._mendings,
        )

    # Filling

    def bytes_needed(self) -> int:
        """Disk space that the frames not yet in the store will take, bytes."""
        return sum(layout.length for i, layout in enumerate(self._layouts) if i not in self._files)

    def check_space(self) -> None:
        """Raise OutputFailed if the disk cannot hold the frames that are still to come."""
        check_space(self.folder, self.bytes_needed())

    def build_one(self, frame: int) -> bool:
        """Bring one frame into the store; several threads may bring different frames at once.

        Takes about twice the decoded frame of memory, more for a 16-bit frame that is stored sideways.

        Returns
        -------
        bool
            True if an earlier run's file served and nothing was decoded.

        Raises
        ------
        UnreadableFile
            If the source cannot be read; of several exposures, if none can.
        OutputFailed
            If the scratch folder cannot take it.
        """
        exposures = self._frames[frame].exposures
        digest = joined_digest([file_sha256(exposure.file) for exposure in exposures])
        file = self._name(frame, digest)
        reused = self._is_there(frame, file)
        if not reused:
            single = len(exposures) == 1
            self._write(
                frame, file, self._decoded(frame, exposures[0]) if single else self._merged(frame, file)
            )
        self._enter(frame, file, digest)
        return reused

    def add(self, frame: int, pixels: Pixels, digest: str) -> None:
        """Bring in a frame that is decoded already.

        Parameters
        ----------
        frame : int
            Its number.
        pixels : ndarray of shape (height, width, 3), uint8 or uint16
            As displayed.
        digest : str
            SHA-256 of the source, hexadecimal.

        Raises
        ------
        UnreadableFile
            If size or depth are not those of the frame's metadata.
        OutputFailed
            If the scratch folder cannot take it.
        """
        file = self._name(frame, digest)
        self._write(frame, file, pixels)
        self._enter(frame, file, digest)

    def adopt(self, frame: int, digest: str) -> bool:
        """Bring in a frame that an earlier store in this folder was given, without a look at its source.

        Parameters
        ----------
        frame : int
            Its number here.
        digest : str
            SHA-256 of the source when it was decoded, hexadecimal.

        Returns
        -------
        bool
            False where its file is not there in full length.
        """
        file = self._name(frame, digest)
        if not self._is_there(frame, file):
            return False
        self._enter(frame, file, digest)
        return True

    def is_built(self, frame: int) -> bool:
        """Whether a frame is in the store."""
        return frame in self._files

    def digest(self, frame: int) -> str:
        """SHA-256 of a frame's source, hexadecimal; for a frame in the store."""
        return self._digests[frame]

    def account(self, frame: int) -> BracketAccount | None:
        """What became of the exposures of a frame in the store; None of a frame of one."""
        return read_account(account_path(self._files[frame])) if self._is_merged(frame) else None

    def _is_merged(self, frame: int) -> bool:
        return len(self._frames[frame].exposures) > 1

    def _is_there(self, frame: int, file: Path) -> bool:
        """Whether a frame's file is there in full, and the account of its exposures if it has several."""
        if not is_whole(file, self._layouts[frame]):
            return False
        return not self._is_merged(frame) or read_account(account_path(file)) is not None

    def _merged(self, frame: int, file: Path) -> Pixels:
        decoded = partial(self._decoded, frame)
        codes, account = merge_bracket(self._frames[frame], self.folder, decoded)
        write_account(account, account_path(file))
        return codes

    def _decoded(self, frame: int, exposure: Exposure) -> Pixels:
        return decode(exposure, self._mendings[frame])

    def _name(self, frame: int, digest: str) -> Path:
        orientation = self._frames[frame].metadata.orientation
        light = "" if self._frames[frame].exposures[0].light == "screen" else "-scene"
        contrast = self._frames[frame].exposures[0].contrast
        bent = f"-{hashlib.sha256(repr(contrast).encode()).hexdigest()[:12]}" if contrast else ""
        mending = self._mendings[frame]
        mended = "" if mending is None or not mending.identity else f"-{mending.identity}"
        return self.folder / f"{digest}-{orientation}{light}{mended}{bent}-{LAYOUT}.tiles"

    def _write(self, frame: int, file: Path, pixels: Pixels) -> None:
        layout = self._layouts[frame]
        shape, dtype = (layout.height, layout.width, 3), layout.dtype(0)
        if pixels.shape != shape or pixels.dtype != dtype:
            raise UnreadableFile(
                self._frames[frame].file,
                f"decodes to {pixels.dtype} {pixels.shape}, where its header says {dtype} {shape}",
            )
        write_tile_file(file, pixels if pixels.flags.c_contiguous else pixels.copy())

    def _enter(self, frame: int, file: Path, digest: str) -> None:
        self._digests[frame] = digest
        self._files[frame] = file

    # FrameSource

    def levels(self, frame: int) -> int:
        """Number of levels, >= 1."""
        return len(self._layouts[frame].sizes)

    def size(self, frame: int, level: int) -> tuple[int, int]:
        """(width, height) of a level, px."""
        return self._layouts[frame].sizes[level]

    def dtype(self, frame: int, level: int) -> np.dtype[Any]:
        """uint8 or uint16 at level 0, as the file; uint16 above."""
        return self._layouts[frame].dtype(level)

    def window(self, frame: int, level: int, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """See FrameSource.window.

        Raises
        ------
        ValueError
            If x1 < x0 or y1 < y0, or the frame is not in the store.
        OutputFailed
            If the scratch file cannot be read any more.
        """
        if x1 < x0 or y1 < y0:
            raise ValueError(f"expected a window with x0 <= x1 and y0 <= y1, got {(x0, y0, x1, y1)}")
        width, height = self.size(frame, level)
        # The part of the frame that the window shows or replicates: at least one row and one column.
        left, right = min(max(x0, 0), width - 1), max(min(x1, width), 1)
        top, bottom = min(max(y0, 0), height - 1), max(min(y1, height), 1)
        right, bottom = max(right, left + 1), max(bottom, top + 1)
        inner = self._inside(frame, level, left, top, right, bottom, keep=True)
        if (x0, y0, x1, y1) == (left, top, right, bottom):
            return inner
        return edge_window(inner, x0 - left, y0 - top, x1 - left, y1 - top)

    def whole(self, frame: int, level: int) -> Pixels:
        """All of a level, (height, width, 3), past the cache."""
        return self._inside(frame, level, 0, 0, *self.size(frame, level), keep=False)

    def _inside(self, frame: int, level: int, x0: int, y0: int, x1: int, y1: int, *, keep: bool) -> Pixels:
        """A window inside the frame, put together from tiles."""
        out: Pixels = np.empty((y1 - y0, x1 - x0, 3), self.dtype(frame, level))
        for row in range(y0 // TILE, -(-y1 // TILE)):
            top = row * TILE
            for column in range(x0 // TILE, -(-x1 // TILE)):
                left = column * TILE
                key = (frame, level, column, row)
                tile = self._cache.get(key, self._read_tile) if keep else self._read_tile(key)
                ya, yb = max(y0, top), min(y1, top + tile.shape[0])
                xa, xb = max(x0, left), min(x1, left + tile.shape[1])
                out[ya - y0 : yb - y0, xa - x0 : xb - x0] = tile[ya - top : yb - top, xa - left : xb - left]
        return out

    def _read_tile(self, key: _Key) -> Pixels:
        frame, level, column, row = key
        file = self._files.get(frame)
        if file is None:
            raise ValueError(f"frame {frame} ({self._frames[frame].name}) is not in the store yet")
        offset, shape = self._layouts[frame].tile(level, column, row)
        tile: Pixels = np.empty(shape, self.dtype(frame, level))
        try:
            self._reader.read_into(file, tile.data.cast("B"), offset)
        except OSError as error:
            raise OutputFailed(f"{file}: the scratch file cannot be read any more ({error})") from error
        return tile

    @property
    def cached_bytes(self) -> int:
        """Bytes of tiles in memory now."""
        return self._cache.held_bytes

    def close(self) -> None:
        """Let go of open files and cached tiles; the files stay for the next run."""
        self._cache.clear()
        self._reader.close()

    def __enter__(self) -> FrameStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _reopened(
    folder: Path,
    frames: tuple[Frame, ...],
    digests: dict[int, str],
    cache_bytes: int,
    open_files: int,
    mendings: tuple[Mending | None, ...],
) -> FrameStore:
    if not folder.is_dir():
        raise OutputFailed(
            f"{folder}: {platform.node()} does not see this folder. Every machine of the cluster must see "
            "the work folder under the same name: name one on a disk they share with --work."
        )
    store = FrameStore(folder, frames, cache_bytes=cache_bytes, open_files=open_files, mendings=mendings)
    for frame, digest in digests.items():
        if not store.adopt(frame, digest):
            raise OutputFailed(
                f"{folder}: {platform.node()} does not find the decoded frame {frames[frame].name} there."
            )
    return store


class _TileCache:
    """The tiles last used, up to a number of bytes."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._tiles: OrderedDict[_Key, Pixels] = OrderedDict()
        self._lock = threading.Lock()
        self.held_bytes = 0

    def get(self, key: _Key, read: Callable[[_Key], Pixels]) -> Pixels:
        """The tile, read if it is not held; two threads that miss it together both read it."""
        with self._lock:
            tile = self._tiles.get(key)
            if tile is not None:
                self._tiles.move_to_end(key)
                return tile
        tile = read(key)
        with self._lock:
            if key not in self._tiles and tile.nbytes <= self._most_bytes:
                while self.held_bytes + tile.nbytes > self._most_bytes:
                    self.held_bytes -= self._tiles.popitem(last=False)[1].nbytes
                self._tiles[key] = tile
                self.held_bytes += tile.nbytes
        return tile

    def clear(self) -> None:
        """Let go of every tile."""
        with self._lock:
            self._tiles.clear()
            self.held_bytes = 0
