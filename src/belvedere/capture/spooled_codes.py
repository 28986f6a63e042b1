"""One decoded exposure in a scratch file, read again in rows: several need no more memory than one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.tile_file import check_space
from belvedere.errors import OutputFailed

Codes = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class SpooledCodes:
    """Codes of an exposure as displayed.

    Parameters
    ----------
    file : Path
        The codes row by row, in the machine's byte order.
    shape : tuple of 3 int
        (height, width, 3).
    dtype : dtype
        uint8 or uint16.
    number : int
        Which exposure of its frame.
    ev : float or None
        See `exposure_steps.taken_ev`.
    iso : float or None
    """

    file: Path
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    number: int
    ev: float | None
    iso: float | None

    @classmethod
    def write(
        cls, file: Path, codes: Codes, *, number: int, ev: float | None, iso: float | None
    ) -> SpooledCodes:
        """Write an exposure's codes.

        Raises
        ------
        OutputFailed
            If the disk is too full or cannot be written.
        """
        check_space(file.parent, codes.nbytes)
        try:
            with file.open("wb") as stream:
                np.ascontiguousarray(codes).tofile(stream)
        except OSError as error:
            raise OutputFailed(f"{file.parent}: the scratch folder cannot be written ({error})") from error
        height, width = codes.shape[:2]
        return cls(file, (height, width, 3), codes.dtype, number, ev, iso)

    def rows(self, y0: int, y1: int, offset: tuple[int, int] = (0, 0)) -> Codes:
        """Rows y0 <= y < y1 of the exposure moved by whole px: (y1 - y0, width, 3).

        Parameters
        ----------
        offset : tuple of 2 int
            (x, y): the pixel at (u, v) of what is given is the exposure's at (u + x, v + y). Where the
            exposure has none, the code is the largest: near white, without a say.

        Raises
        ------
        OutputFailed
            If the file cannot be read any more.
        """
        height, width, _ = self.shape
        x, y = offset
        top, bottom = min(max(y0 + y, 0), height), min(max(y1 + y, 0), height)
        try:
            with self.file.open("rb") as stream:
                stream.seek(top * width * 3 * self.dtype.itemsize)
                read = np.fromfile(stream, self.dtype, (bottom - top) * width * 3)
        except OSError as error:
            raise OutputFailed(f"{self.file}: the scratch file cannot be read any more ({error})") from error
        found = read.reshape(bottom - top, width, 3)
        if (x, y) == (0, 0):
            return found
        out = np.full((y1 - y0, width, 3), np.iinfo(self.dtype).max, self.dtype)
        left, right = max(x, 0), min(width + x, width)
        out[top - y - y0 : bottom - y - y0, left - x : right - x] = found[:, left:right]
        return out
