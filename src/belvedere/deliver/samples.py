"""What every kind of picture file gives: its samples, any rectangle of them."""

from __future__ import annotations

from typing import Any, Protocol

from numpy.typing import NDArray


class Samples(Protocol):
    """Samples as stored, before Orientation; `step` rows are decoded at once."""

    width: int
    height: int
    bits: int
    has_coverage: bool
    step: int

    def read(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[Any]:
        """(y1 - y0, x1 - x0, 3 or 4): red, green, blue and, where there is one, unassociated coverage."""
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...
