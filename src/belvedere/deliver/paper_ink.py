"""From the print's light to the paper's codes: laid on bare paper, sharpened, encoded, converted.

One rule for every row; rows in, codes out, whatever the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose.encode import Encoder
from belvedere.compose.piece import Piece
from belvedere.deliver.colour_conversion import ColourConversion
from belvedere.deliver.paper_profile import PaperProfile
from belvedere.deliver.print_sharpening import Sharpening, sharpen

_BARE = 0.5 / 255.0  # coverage below this is bare paper


@dataclass(frozen=True, eq=False)
class PaperInk:
    """How light becomes codes.

    Parameters
    ----------
    encoder : Encoder
        To 16-bit codes of the picture's own profile.
    paper : PaperProfile
        What the codes are of.
    conversion : ColourConversion or None
        From the picture's profile to the paper's; None where they are the same.
    sharpening : Sharpening
        Its reach is how many more rows are needed at either end.
    bits : int
        Bits a sample, 8 or 16.
    """

    encoder: Encoder
    paper: PaperProfile
    conversion: ColourConversion | None
    sharpening: Sharpening
    bits: int

    def codes(self, light: NDArray[np.float32]) -> NDArray[Any]:
        """Codes (h - 2 reach, w, channels), uint8 or uint16, of light times coverage and coverage (h, w, 4).

        `light` is used up.
        """
        lay_on_paper(light)
        lines = sharpen(light, self.sharpening)
        shown = lines[..., 3] >= np.float32(_BARE)
        piece = Piece(np.ascontiguousarray(lines[..., :3]), shown.astype(np.float32), shown)
        codes: NDArray[Any] = self.encoder.encode(piece).codes
        if self.conversion is not None:
            codes = self.conversion.convert(codes)
        else:
            colour = codes[..., : self.paper.channels].copy()
            colour[~shown] = self.paper.paper_white(65535)
            codes = colour
        return codes if self.bits == 16 else to_8_bits(codes)


def lay_on_paper(lines: NDArray[np.float32]) -> None:
    """Let paper white, light 1, show where the picture does not cover; (h, w, 4), in place.

    Coverage is brought to 0 to 1 with light in proportion, so that the resampling kernel's overshoot at the
    picture's own border leaves no rim.
    """
    _lay_on_paper(lines)


def to_8_bits(codes: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """The nearest of 256 codes to each of 65536."""
    return ((codes.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _lay_on_paper(lines: NDArray[np.float32]) -> None:
    one, none = np.float32(1.0), np.float32(0.0)
    height, width, _ = lines.shape
    for j in range(height):
        for i in range(width):
            covered = lines[j, i, 3]
            if covered >= one:
                if covered > one:
                    share = one / covered
                    for k in range(3):
                        lines[j, i, k] *= share
                    lines[j, i, 3] = one
                continue
            if covered <= none:
                for k in range(3):
                    lines[j, i, k] = one
                lines[j, i, 3] = none
                continue
            for k in range(3):
                lines[j, i, k] += one - covered
