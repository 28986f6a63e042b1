"""Places of a sensor that are at fault: found from frames of a set, and put right before colours are made.

A place at fault stays where it is on the sensor while the scene turns through the frames. One that stands out
of its neighbours in nearly all of some frames is therefore the sensor's; a star, a glint or a spark is not.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import ceil, comb

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.filter_pattern import FilterPattern, pattern_of
from belvedere.capture.hot_pixel_mend import mend_places
from belvedere.capture.standing_out import BAR, BLOCK, CAP, LEAST_AGAINST, UNIT, Levels, add_scores

LEAST_FRAMES = 3
"""Frames below which nothing is called a fault: a glint may be the same in two."""
MOST_FRAMES = 8
"""Frames that are looked at. Our choice: more find few places more."""

_CLEAR = (
    10.0  # units that frames must show beyond BAR together: at least three speak for a fault, two never can
)
_CHANCE = 0.002  # places of a block that may be called faults by chance; else none of it is


@dataclass(frozen=True, slots=True)
class Mosaic:
    """What a sensor read out through its colour filters.

    Parameters
    ----------
    values : ndarray of shape (height, width), uint16
        As stored, without the border that is not shown.
    pattern : FilterPattern
    levels : Levels
    """

    values: NDArray[np.uint16]
    pattern: FilterPattern
    levels: Levels


@dataclass(frozen=True, slots=True)
class HotPixels:
    """Places of one body's sensor that are at fault.

    Parameters
    ----------
    width, height : int
        Of what the sensor shows, as stored, px.
    bright, dark : tuple of int
        row * width + column of places brighter, darker than the light on them; ascending.
    black : tuple of 3 float
        Codes of no light, of red, green, blue.
    frames : int
        How many frames were looked at.
    """

    width: int
    height: int
    bright: tuple[int, ...]
    dark: tuple[int, ...]
    black: tuple[float, float, float]
    frames: int

    @property
    def places(self) -> NDArray[np.int64]:
        """All of them, ascending."""
        return np.union1d(np.array(self.bright, dtype=np.int64), np.array(self.dark, dtype=np.int64))

    @property
    def identity(self) -> str:
        """16 hexadecimal digits that differ where what `mend` does differs; empty where it does nothing."""
        if not self.bright and not self.dark:
            return ""
        told = np.array([self.width, self.height, *self.places.tolist()], dtype="<i8").tobytes()
        return hashlib.sha256(told + np.array(self.black, dtype="<f8").tobytes()).hexdigest()[:16]

    def joined(self, other: HotPixels) -> HotPixels:
        """The places of both, found from other exposures of the same frames."""
        return replace(
            self,
            bright=tuple(sorted({*self.bright, *other.bright})),
            dark=tuple(sorted({*self.dark, *other.dark})),
        )

    def mend(self, mosaic: NDArray[np.uint16], pattern: NDArray[np.uint8]) -> None:
        """Put the places right from their neighbours, in place.

        Parameters
        ----------
        mosaic : ndarray of shape (height, width), uint16
            Of another size than these places are of, it is left as it is.
        pattern : ndarray of shape (rows, columns)
            Colour of each filter, 0 red, 1 and 3 green, 2 blue, repeated from the first place on.
        """
        if mosaic.shape != (self.height, self.width) or not (self.bright or self.dark):
            return
        mend_places(mosaic, pattern_of(pattern), self.places, self.black)


def find_hot_pixels(mosaics: Iterable[Mosaic]) -> HotPixels | None:
    """Find the places of a sensor that are at fault.

    Parameters
    ----------
    mosaics : iterable of Mosaic
        Frames of one body that look in different directions; one is held at a time, beside two bytes a place.
        Those that differ from the first in size or pattern are passed over.

    Returns
    -------
    HotPixels or None
        None where there are fewer than `LEAST_FRAMES`. The outermost few px are never judged, and a place in
        a part where many things stand out in every frame, such as glitter on water, only with more frames.
    """
    search: _Search | None = None
    for mosaic in mosaics:
        if search is None:
            search = _Search(mosaic)
        search.feed(mosaic)
    return None if search is None else search.found()


class _Search:
    """Sums of evidence over the frames."""

    def __init__(self, first: Mosaic) -> None:
        shape = first.values.shape
        self._shape, self._pattern, self._black = shape, first.pattern, first.levels.black
        self._hot, self._dark = np.zeros(shape, np.int8), np.zeros(shape, np.int8)
        self._strong = np.zeros((2, -(-shape[0] // BLOCK), -(-shape[1] // BLOCK)), np.int32)
        self._frames = 0

    def feed(self, mosaic: Mosaic) -> None:
        """Add a frame."""
        if mosaic.values.shape != self._shape or mosaic.pattern != self._pattern:
            return
        values = np.ascontiguousarray(mosaic.values, dtype=np.uint16)
        add_scores(values, mosaic.pattern, mosaic.levels, self._hot, self._dark, self._strong)
        self._frames += 1

    def found(self) -> HotPixels | None:
        """What the frames show together."""
        if self._frames < LEAST_FRAMES:
            return None
        bright, dark = (
            self._clear(sums, strong)
            for sums, strong in zip((self._hot, self._dark), self._strong, strict=True)
        )
        height, width = self._shape
        return HotPixels(width, height, bright, dark, self._black, self._frames)

    def _clear(self, sums: NDArray[np.int8], strong: NDArray[np.int32]) -> tuple[int, ...]:
        """The places whose evidence is clear, and no chance of many."""
        n = self._frames
        against = LEAST_AGAINST * (BAR + 1.0)
        needed = ceil((_CLEAR + n * against) / (CAP - BAR + against))
        share = strong / (n * BLOCK * BLOCK)
        by_chance = BLOCK * BLOCK * comb(n, needed) * share**needed
        rows, columns = np.nonzero(sums >= round(_CLEAR * UNIT))
        sure = by_chance[rows // BLOCK, columns // BLOCK] <= _CHANCE
        places = rows[sure].astype(np.int64) * self._shape[1] + columns[sure]
        return tuple(int(p) for p in places)
