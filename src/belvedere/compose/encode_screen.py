"""From scene light in a camera's own colour to a screen's codes, developed plainly: for small pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from belvedere.compose.encode import Encoded
from belvedere.compose.piece import Piece


@dataclass(frozen=True, slots=True)
class ScreenEncoder:
    """Encodes light for a screen: through a matrix, held between black and white, by sRGB's curve, 8 bits.

    Parameters
    ----------
    matrix : 3 x 3 of float
        What takes the light to linear sRGB.
    """

    matrix: tuple[tuple[float, ...], ...]

    def encode(self, piece: Piece) -> Encoded:
        """Encode a piece (IEC 61966-2-1, 5.2)."""
        shown = piece.coverage > 0.0
        linear = np.zeros((piece.height, piece.width, 3))
        for row, weights in enumerate(self.matrix):  # sums in a fixed order
            for channel, weight in enumerate(weights):
                linear[..., row] += weight * piece.colour[..., channel]
        over = shown & (linear > 1.0).any(axis=-1)
        linear = np.clip(linear, 0.0, 1.0)
        coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1.0 / 2.4) - 0.055)
        codes = np.zeros((piece.height, piece.width, 4), np.uint8)
        codes[..., :3] = np.where(shown[..., None], np.rint(coded * 255.0), 0.0)
        codes[..., 3] = np.where(shown, np.rint(np.minimum(piece.coverage, 1.0) * 255.0), 0.0)
        return Encoded(codes, int(np.count_nonzero(shown)), int(np.count_nonzero(over)))
