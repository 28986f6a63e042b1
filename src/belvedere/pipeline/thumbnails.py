"""Small pictures of many frames, kept in a file without a name: memory does not grow with a card."""

from __future__ import annotations

import tempfile
import threading
from types import TracebackType

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.capture.glance import reduced
from belvedere.survey.sorting.contact_sheet import Thumbnail

LONG_SIDE_PX = 160
_QUALITY = 78


class Thumbnails:
    """Small pictures by the path of their frame; may be filled from several threads."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile(prefix="belvedere-")  # noqa: SIM115 - closed with this object
        self._places: dict[str, tuple[int, int, int, int]] = {}
        self._end = 0
        self._lock = threading.Lock()

    def __enter__(self) -> Thumbnails:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def add(self, place: str, image: NDArray[np.uint8]) -> None:
        """Keep a frame's picture, (height, width, 3) uint8 as displayed; a later one replaces an earlier."""
        small = np.ascontiguousarray(reduced(image, LONG_SIDE_PX), dtype=np.uint8)
        stream = simplejpeg.encode_jpeg(small, quality=_QUALITY, colorspace="RGB", colorsubsampling="420")
        height, width = small.shape[:2]
        with self._lock:
            self._file.seek(self._end)
            self._file.write(stream)
            self._places[place] = (self._end, len(stream), width, height)
            self._end += len(stream)

    def get(self, place: str) -> Thumbnail | None:
        """A frame's picture; None where nothing was seen of it."""
        if place not in self._places:
            return None
        at, size, width, height = self._places[place]
        with self._lock:
            self._file.seek(at)
            return Thumbnail(self._file.read(size), width, height)
