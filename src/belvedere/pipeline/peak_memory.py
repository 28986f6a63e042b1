"""The most memory a run held."""

from __future__ import annotations

import sys
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self

import psutil

_EVERY_S = 0.1


class PeakMemory:
    """Samples the resident memory of this process and its children while a block runs.

    `bytes` is the most seen so far. Where the system itself keeps the highest mark of this process and the
    mark rose during the block, that is taken, which no sampling can miss.
    """

    def __init__(self) -> None:
        self.bytes = 0
        self._process = psutil.Process()
        self._mark = _highest_mark()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._sample, name="peak-memory", daemon=True)

    def __enter__(self) -> Self:
        self.look()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join(1.0)

    def look(self) -> int:
        """Sample now; the most memory seen so far, bytes."""
        mark = _highest_mark()
        self.bytes = max(self.bytes, _tree_bytes(self._process), mark if mark > self._mark else 0)
        return self.bytes

    def _sample(self) -> None:
        while not self._stop.wait(_EVERY_S):
            self.look()


def _tree_bytes(process: psutil.Process) -> int:
    """Resident memory of a process and its children now, bytes."""
    total = int(process.memory_info().rss)
    for child in process.children(recursive=True):
        with suppress(psutil.Error):
            total += int(child.memory_info().rss)
    return total


def _highest_mark() -> int:
    """The system's own highest mark of this process's resident memory, bytes; 0 where it keeps none."""
    if sys.platform == "win32":
        return int(psutil.Process().memory_info().peak_wset)
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    return int(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) * unit
