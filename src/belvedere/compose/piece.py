"""A piece of picture: colour, coverage and validity, made, cut and returned together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Piece:
    """Part of a plate, or of one frame drawn on it.

    Parameters
    ----------
    colour : ndarray of shape (h, w, 3), float32
        Scene-linear light, >= 0, 1 at the white of a frame of gain 1; may exceed 1. 0 where not valid.
    coverage : ndarray of shape (h, w), float32
        1 where a frame was exposed here, 0 where none was.
    valid : ndarray of shape (h, w), bool
        True where `colour` means something: on the frame, or its border carried outwards. Never False
        where coverage is above 0.

    Raises
    ------
    ValueError
        If the shapes do not agree.
    """

    colour: NDArray[np.float32]
    coverage: NDArray[np.float32]
    valid: NDArray[np.bool_]

    def __post_init__(self) -> None:
        h, w = self.coverage.shape
        if self.colour.shape != (h, w, 3) or self.valid.shape != (h, w):
            raise ValueError(
                f"a piece needs colour (h, w, 3), coverage (h, w), valid (h, w); got {self.colour.shape}, "
                f"{self.coverage.shape}, {self.valid.shape}"
            )

    @property
    def width(self) -> int:
        return int(self.coverage.shape[1])

    @property
    def height(self) -> int:
        return int(self.coverage.shape[0])
