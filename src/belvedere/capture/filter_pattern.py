"""The pattern of a sensor's colour filters, and which places of it are the nearest of one colour."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

NEIGHBOURS = 8
"""How many places of its own colour each place is compared with."""
_REACH = 6  # px within which they are looked for
_BAYER, _LARGER = 2, 6  # sides of the patterns there are


@dataclass(frozen=True, slots=True)
class FilterPattern:
    """Colours of the filters from the picture's first place on, as stored; repeated in both directions.

    Parameters
    ----------
    colours : tuple of tuple of int
        Rows of 0 red, 1 green, 2 blue.
    """

    colours: tuple[tuple[int, ...], ...]

    @property
    def period(self) -> tuple[int, int]:
        """Rows and columns after which it repeats."""
        return len(self.colours), len(self.colours[0])

    @property
    def is_bayer(self) -> bool:
        """Whether two greens stand corner to corner in two by two places, red and blue in the others."""
        if self.period != (2, 2):
            return False
        (a, b), (c, d) = self.colours
        return (a == d == 1 and {b, c} == {0, 2}) or (b == c == 1 and {a, d} == {0, 2})

    def as_array(self) -> NDArray[np.int64]:
        """(rows, columns) of 0 red, 1 green, 2 blue."""
        return np.array(self.colours, dtype=np.int64)

    def neighbours(self) -> NDArray[np.int64]:
        """Offsets (rows, columns, NEIGHBOURS, 2) from each place to the nearest of its colour, nearest first.

        Raises
        ------
        ValueError
            If a colour is too rare.
        """
        return _neighbours(self)


@lru_cache(maxsize=8)
def _neighbours(pattern: FilterPattern) -> NDArray[np.int64]:
    rows, columns = pattern.period
    reach = range(-_REACH, _REACH + 1)
    offsets = sorted(
        ((y, x) for y in reach for x in reach if (y, x) != (0, 0)),
        key=lambda o: (o[0] ** 2 + o[1] ** 2, o),
    )
    out = np.empty((rows, columns, NEIGHBOURS, 2), dtype=np.int64)
    for r in range(rows):
        for c in range(columns):
            own = pattern.colours[r][c]
            same = [o for o in offsets if pattern.colours[(r + o[0]) % rows][(c + o[1]) % columns] == own]
            if len(same) < NEIGHBOURS:
                raise ValueError(f"expected {NEIGHBOURS} places of each colour within {_REACH} px")
            out[r, c] = same[:NEIGHBOURS]
    return out


def pattern_array(raw: Any) -> NDArray[np.uint8] | None:
    """Colour of each filter of an open raw file, 0 red, 1 and 3 green, 2 blue, from the first place shown.

    `RawPy.raw_pattern` counts from the border's first place, which is another where the border is odd.

    Parameters
    ----------
    raw : rawpy.RawPy
        Its values read.

    Returns
    -------
    ndarray of shape (2, 2) or (6, 6), or None
        None where there are no single filters, or not these colours.
    """
    if raw.raw_type.name != "Flat" or raw.raw_pattern is None or raw.num_colors != 3:
        return None
    if bytes(raw.color_desc)[:3] != b"RGB":
        return None
    side = _BAYER if raw.raw_pattern.shape == (2, 2) else _LARGER
    top, left = int(raw.sizes.top_margin), int(raw.sizes.left_margin)
    found = [[raw.raw_color(top + y, left + x) for x in range(side)] for y in range(side)]
    pattern = np.array(found, dtype=np.uint8)
    return pattern if np.isin(pattern, (0, 1, 2, 3)).all() else None


def pattern_of(colours: NDArray[np.uint8]) -> FilterPattern:
    """A pattern of such colours."""
    return FilterPattern(tuple(tuple(1 if c == 3 else int(c) for c in row) for row in colours))
