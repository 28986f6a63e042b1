"""The samples of a PNG or JPEG, which are decoded as a whole: those formats cannot be read in pieces."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame import Metadata
from belvedere.capture.jpeg_pixels import jpeg_pixels
from belvedere.errors import UnreadableFile

MOST_BYTES = 512 << 20
"""Largest PNG or JPEG that is read, bytes of samples: half of what delivering may take of the memory."""

_CUT_SHORT = "is cut short or damaged; copy or export it again"


class WholeSamples:
    """A picture held in memory.

    Parameters
    ----------
    file : Path
    kind : str
        "png" or "jpeg".
    metadata : Metadata
        Of the same file.

    Raises
    ------
    UnreadableFile
        If it is larger than `MOST_BYTES`, or damaged.
    """

    def __init__(self, file: Path, kind: str, metadata: Metadata) -> None:
        self.width, self.height = metadata.stored_width, metadata.stored_height
        self.step, self.in_squares = 1, True
        needed = self.width * self.height * (4 if kind == "png" else 3) * metadata.bits // 8
        if needed > MOST_BYTES:
            raise UnreadableFile(
                file,
                f"is a {kind.upper()} of {self.width * self.height // 1_000_000} megapixels, which can only "
                f"be decoded as a whole, and takes more than {MOST_BYTES >> 20} MiB; save it as a tiled TIFF",
            )
        try:
            data = file.read_bytes()
        except OSError as error:
            raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error
        try:
            pixels = jpeg_pixels(data) if kind == "jpeg" else _as_colours(imagecodecs.png_decode(data))
        except MemoryError:
            raise
        except Exception as error:  # codecs raise errors of their own for damaged data
            raise UnreadableFile(file, _CUT_SHORT) from error
        if pixels.shape[:2] != (self.height, self.width) or pixels.dtype not in (np.uint8, np.uint16):
            raise UnreadableFile(file, _CUT_SHORT)
        self._pixels: NDArray[Any] | None = pixels
        self.bits = pixels.dtype.itemsize * 8
        self.has_coverage = pixels.shape[2] == 4

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """Samples of a rectangle within the picture, as a copy."""
        if self._pixels is None:
            raise ValueError("the picture is closed")
        return self._pixels[y0:y1, x0:x1].copy()

    def close(self) -> None:
        """Let go of the memory."""
        self._pixels = None


def _as_colours(samples: NDArray[Any]) -> NDArray[Any]:
    """Grey in three equal channels, coverage after it where there is one."""
    if samples.ndim == 2:
        samples = samples[..., None]
    if samples.shape[2] < 3:
        samples = np.concatenate([np.repeat(samples[..., :1], 3, axis=2), samples[..., 1:]], axis=2)
    return np.ascontiguousarray(samples)
