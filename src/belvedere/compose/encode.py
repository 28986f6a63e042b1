"""From scene light to the codes of a file, by the inverse of the reference response."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose.piece import Piece

# Where in the table to begin looking is told by a light's exponent and first 9 bits of mantissa: as finely in
# shadows, where the table's steps of light are small, as near white.
_DARKEST = np.float32(2.0**-24)
_SHIFT = 23 - 9


@dataclass(frozen=True, slots=True)
class Encoded:
    """Codes of a piece, and how much of it the file's white could not hold.

    Parameters
    ----------
    codes : ndarray of shape (h, w, 4), uint8, uint16 or float32
        Red, green, blue and coverage (unassociated alpha); 0 everywhere where coverage is 0.
    covered : int
        Pixels with coverage above 0.
    over_white : int
        Those of them with light above 1 in any channel: held at white. Light below 0, which only colours
        beyond the file's primaries have, is held at 0 and not counted. Nothing else is altered.
    """

    codes: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]
    covered: int
    over_white: int


class PieceEncoder(Protocol):
    """What turns pieces of picture into a file's samples; can be sent to another process."""

    def encode(self, piece: Piece) -> Encoded:
        """Encode a piece."""
        ...


class Encoder:
    """Encodes light by the inverse of one response; made once, used by any number of threads.

    Parameters
    ----------
    to_linear : ndarray of shape (1025,), float32
        Linear light at codes 0, 1/1024, ..., 1: monotone, 0 at 0 and 1 at 1.
    bits : 8 or 16
        Bits a sample of the file.
    brightness : float
        Factor on the light, > 0: of pictures whose light has room for highlights that the file need not show.

    Raises
    ------
    ValueError
        If the table is not of that kind.
    """

    def __init__(
        self, to_linear: NDArray[np.float32], bits: Literal[8, 16] = 16, brightness: float = 1.0
    ) -> None:
        table = np.ascontiguousarray(to_linear, dtype=np.float32)
        if table.shape != (1025,) or table[0] != 0.0 or table[-1] != 1.0 or (np.diff(table) < 0).any():
            raise ValueError("a response needs 1025 values that rise from 0 to 1")
        self._table = table
        first, last = (int(np.float32(v).view(np.uint32)) >> _SHIFT for v in (_DARKEST, 1.0))
        lowest = (np.arange(first, last + 1, dtype=np.uint32) << _SHIFT).view(np.float32)
        lowest[0] = 0.0  # all that is darker
        starts = np.searchsorted(table, lowest, side="left")
        self._starts = np.maximum(starts - 1, 0).astype(np.int32)
        self._first = first
        self._brightness = np.float32(brightness)
        self._dtype: type[np.uint8] | type[np.uint16] = np.uint8 if bits == 8 else np.uint16

    def encode(self, piece: Piece) -> Encoded:
        """Encode a piece: rounded (full scale x inverse response of light), held between 0 and white."""
        codes: NDArray[Any] = np.empty((piece.height, piece.width, 4), self._dtype)
        colour = np.ascontiguousarray(piece.colour)
        if self._brightness != 1.0:
            colour = colour * self._brightness
        covered, over = _encode(
            colour,
            colour.view(np.uint32),
            piece.coverage,
            self._table,
            self._starts,
            self._first,
            float(np.iinfo(self._dtype).max),
            codes,
        )
        return Encoded(codes, int(covered), int(over))


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _encode(
    colour: NDArray[np.float32],
    bits: NDArray[np.uint32],
    coverage: NDArray[np.float32],
    table: NDArray[np.float32],
    starts: NDArray[np.int32],
    first: int,
    white: float,
    codes: NDArray[np.uint8],
) -> tuple[int, int]:
    """Fill codes (h, w, 4) from light and its bits (h, w, 3); returns the pixels covered and over white."""
    h, w = coverage.shape
    covered, over = 0, 0
    for j in range(h):
        for i in range(w):
            alpha = coverage[j, i]
            if not alpha > 0.0:
                for k in range(4):
                    codes[j, i, k] = 0
                continue
            covered += 1
            beyond = False
            for k in range(3):
                value = colour[j, i, k]
                if value > 1.0:
                    beyond = True
                if value >= 1.0:
                    codes[j, i, k] = white
                    continue
                if not value > 0.0:
                    codes[j, i, k] = 0
                    continue
                # the segment with table[low] < value <= table[low + 1]
                low = int(starts[max(int(bits[j, i, k] >> _SHIFT) - first, 0)])
                low += int(table[low + 1] < value)  # mostly enough, and no branch to guess wrong
                while table[low + 1] < value:
                    low += 1
                share = (float(value) - table[low]) / (float(table[low + 1]) - table[low])
                codes[j, i, k] = int((low + share) * (white / 1024.0) + 0.5)
            codes[j, i, 3] = int(min(alpha, 1.0) * white + 0.5)
            over += 1 if beyond else 0
    return covered, over
