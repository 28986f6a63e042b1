"""Reading at a position from files shared by threads, with a bound on how many are open.

The one place that knows whether the system reads at a position (POSIX pread) or must seek first.
"""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class _OpenFile:
    """A file held open, how many threads are reading it, and the lock where reading needs a seek."""

    def __init__(self, file: Path) -> None:
        self.stream = file.open("rb", buffering=0)
        self.readers = 0
        self.lock = threading.Lock()

    def read_into(self, target: memoryview, offset: int) -> None:
        done = 0
        while done < len(target):
            if hasattr(os, "preadv"):
                count = os.preadv(self.stream.fileno(), [target[done:]], offset + done)
            else:
                with self.lock:
                    self.stream.seek(offset + done)
                    count = self.stream.readinto(target[done:])
            if not count:
                raise OSError(f"ends {len(target) - done} bytes early")
            done += count


class PositionalReader:
    """Reads pieces of files; keeps at most `most_open` of them open beyond those being read right now.

    Parameters
    ----------
    most_open : int
        Files kept open for the next read, >= 1; the one longest unused is closed first.
    """

    def __init__(self, most_open: int) -> None:
        self._most_open = max(1, most_open)
        self._files: OrderedDict[Path, _OpenFile] = OrderedDict()
        self._lock = threading.Lock()

    def read_into(self, file: Path, target: memoryview, offset: int) -> None:
        """Fill `target` (bytes) from `offset` of a file.

        Raises
        ------
        OSError
            If the file cannot be opened or ends early.
        """
        with self._opened(file) as opened:
            opened.read_into(target, offset)

    @contextmanager
    def _opened(self, file: Path) -> Iterator[_OpenFile]:
        with self._lock:
            opened = self._files.get(file)
            if opened is None:
                opened = self._files[file] = _OpenFile(file)
            self._files.move_to_end(file)
            opened.readers += 1
            self._close_idle(self._most_open)
        try:
            yield opened
        finally:
            with self._lock:
                opened.readers -= 1
                self._close_idle(self._most_open)

    def _close_idle(self, most: int) -> None:
        """Close files nobody reads, longest unused first, until at most `most` are open."""
        if len(self._files) <= most:
            return
        for file in [file for file, opened in self._files.items() if opened.readers == 0]:
            if len(self._files) <= most:
                break
            self._files.pop(file).stream.close()

    @property
    def open_count(self) -> int:
        """Files open now."""
        with self._lock:
            return len(self._files)

    def close(self) -> None:
        """Close every file that nobody is reading."""
        with self._lock:
            self._close_idle(0)
