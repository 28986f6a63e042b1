"""From scene light to codes proportional to it, with headroom above the camera's white level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose.encode import Encoded
from belvedere.compose.piece import Piece


@dataclass(frozen=True, slots=True)
class LinearEncoder:
    """Encodes light as it is, up to one factor; used by any number of threads.

    Parameters
    ----------
    headroom : float
        With 16 bits the light that code 65535 stands for, > 0; light above it is held there and counted.
        With 32 bits samples are floating point, 1 is light 1, nothing is held, and it has no say.
    bits : 16 or 32
        Bits a sample of the file.
    """

    headroom: float = 1.0
    bits: Literal[16, 32] = 16

    def encode(self, piece: Piece) -> Encoded:
        """Encode a piece; coverage likewise, full coverage being 65535 or 1.

        In 16 bits light below 0, which sharpening at edges may leave, is held at 0.
        """
        if self.bits == 32:
            shown = piece.coverage > 0.0
            samples = np.empty((piece.height, piece.width, 4), np.float32)
            samples[..., :3] = np.where(shown[..., None], piece.colour, np.float32(0.0))
            samples[..., 3] = np.where(shown, np.minimum(piece.coverage, np.float32(1.0)), np.float32(0.0))
            return Encoded(samples, int(np.count_nonzero(shown)), 0)
        codes: NDArray[Any] = np.empty((piece.height, piece.width, 4), np.uint16)
        covered, over = _encode(
            np.ascontiguousarray(piece.colour), piece.coverage, np.float64(65535.0 / self.headroom), codes
        )
        return Encoded(codes, int(covered), int(over))


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _encode(
    colour: NDArray[np.float32], coverage: NDArray[np.float32], scale: float, codes: NDArray[np.uint16]
) -> tuple[int, int]:
    """Fill codes (h, w, 4); returns the pixels covered, and those of them beyond the headroom."""
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
                value = float(colour[j, i, k]) * scale + 0.5
                if value >= 65536.0:
                    beyond = True
                codes[j, i, k] = int(min(max(value, 0.0), 65535.0))
            codes[j, i, 3] = int(min(alpha, 1.0) * 65535.0 + 0.5)
            over += 1 if beyond else 0
    return covered, over
