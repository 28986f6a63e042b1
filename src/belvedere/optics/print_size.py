"""Print arithmetic: pixels, pixels per inch, millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive

MM_PER_INCH = 25.4  # exact, by the definition of the international inch
PRINT_PPI = 300.0  # what print houses ask for (common practice, no published source)


@dataclass(frozen=True, slots=True)
class PrintSize:
    """A picture's size on paper.

    Parameters
    ----------
    width_mm, height_mm : float
        Millimetres, > 0.
    ppi : float
        Pixels per inch it is printed at, > 0.
    """

    width_mm: float
    height_mm: float
    ppi: float

    @property
    def width_in(self) -> float:
        """Width in inches."""
        return self.width_mm / MM_PER_INCH

    @property
    def height_in(self) -> float:
        """Height in inches."""
        return self.height_mm / MM_PER_INCH


def print_size(width_px: int, height_px: int, ppi: float = PRINT_PPI) -> PrintSize:
    """Size on paper of a picture of `width_px` x `height_px` at `ppi` pixels per inch.

    Raises
    ------
    PlanError
        A ValueError, if a side is below 1 px, or `ppi` is not finite and positive.
    """
    if width_px < 1 or height_px < 1:
        raise PlanError(f"a picture needs at least 1 x 1 pixels, not {width_px} x {height_px}")
    need_positive("the pixels per inch", ppi)
    return PrintSize(width_px / ppi * MM_PER_INCH, height_px / ppi * MM_PER_INCH, ppi)


def pixels_for(length_mm: float, ppi: float = PRINT_PPI) -> int:
    """Fewest whole pixels that fill `length_mm` at `ppi` or finer.

    Raises
    ------
    PlanError
        A ValueError, if the length or `ppi` is not finite and positive.
    """
    need_positive("the print's length", length_mm, "mm")
    need_positive("the pixels per inch", ppi)
    exact = length_mm / MM_PER_INCH * ppi
    return max(1, math.ceil(exact - 1e-9 * exact))  # 25.4 mm at 300 ppi is 300 px, not 301
