"""What every kind of picture file gives: its samples, any rectangle of them."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[Any]
"""Samples as a file holds them, (h, w, 3 or 4), uint8 or uint16."""

Light = NDArray[np.float32]
"""Linear light times coverage, and coverage: (h, w, 4)."""


class Samples(Protocol):
    """Samples as stored, before Orientation.

    `step` rows are decoded at once; `in_squares` tells whether a small square costs no more than its share.
    """

    width: int
    height: int
    bits: int
    has_coverage: bool
    step: int
    in_squares: bool

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """(y1 - y0, x1 - x0, 3 or 4): red, green, blue and, where there is one, unassociated coverage."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...
