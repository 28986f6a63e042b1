"""Where the rooms above take a frame's pixels from, and the simplest such place: memory."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.levels import edge_window, halve, level_count

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


class FrameSource(Protocol):
    """Pixels of a set of frames, as displayed, at halving levels; read by many threads at once.

    Frames are numbered from 0 in the order of the set. Level 0 holds the file's own code values (uint8 or
    uint16); level l >= 1 holds uint16 means of 2 x 2 of level l - 1 (8-bit codes times 257 first, halves
    rounded up, an odd edge replicated), so that a level-l pixel's centre is where `Camera.scaled(l)` has it.
    """

    def levels(self, frame: int) -> int:
        """Number of levels, >= 1; the last is level `levels - 1`."""
        ...

    def size(self, frame: int, level: int) -> tuple[int, int]:
        """(width, height) of a level, px."""
        ...

    def dtype(self, frame: int, level: int) -> np.dtype[Any]:
        """uint8 or uint16 at level 0, as the file; uint16 above."""
        ...

    def window(self, frame: int, level: int, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """Pixels x0 <= x < x1, y0 <= y < y1 of a level: (y1 - y0, x1 - x0, 3), contiguous, the caller's own.

        Any integers with x0 <= x1, y0 <= y1; what lies outside the frame is edge-replicated.
        """
        ...

    def whole(self, frame: int, level: int) -> Pixels:
        """All of a level, (height, width, 3)."""
        ...


class FramesInMemory:
    """A FrameSource over arrays held in memory.

    Parameters
    ----------
    frames : sequence of ndarray of shape (height, width, 3), uint8 or uint16
        Code values as displayed.
    """

    def __init__(self, frames: Sequence[Pixels]) -> None:
        self._levels: list[list[Pixels]] = []
        for number, pixels in enumerate(frames):
            if pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
                raise ValueError(f"frame {number}: expected (height, width, 3), got {pixels.shape}")
            if pixels.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
                raise ValueError(f"frame {number}: expected uint8 or uint16, got {pixels.dtype}")
            full: Pixels = np.ascontiguousarray(pixels)  # type: ignore[assignment]
            stack: list[Pixels] = [full]
            for _ in range(level_count(pixels.shape[1], pixels.shape[0]) - 1):
                stack.append(halve(stack[-1]))
            self._levels.append(stack)

    def levels(self, frame: int) -> int:
        """Number of levels, >= 1."""
        return len(self._levels[frame])

    def size(self, frame: int, level: int) -> tuple[int, int]:
        """(width, height) of a level, px."""
        height, width = self._levels[frame][level].shape[:2]
        return width, height

    def dtype(self, frame: int, level: int) -> np.dtype[Any]:
        """uint8 or uint16 at level 0; uint16 above."""
        return self._levels[frame][level].dtype

    def window(self, frame: int, level: int, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        """See FrameSource.window."""
        return edge_window(self._levels[frame][level], x0, y0, x1, y1)

    def whole(self, frame: int, level: int) -> Pixels:
        """See FrameSource.whole."""
        return self._levels[frame][level].copy()
