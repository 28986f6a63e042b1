"""What a picture takes on disk while it is made, told beforehand from numbers alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from belvedere.capture.tile_file import TileLayout
from belvedere.compose.picture_format import PictureFormat

_STAGES_PER_FRAME = 50_000  # bytes of tie points and of seams that a frame brings: 27,000 measured
_LEAST_NEW = 0.25
"""Least share of a frame's px that is new on the plate: what an overlap of half in both directions leaves."""


@dataclass(frozen=True, slots=True)
class ScratchEstimate:
    """Bytes on disk.

    Parameters
    ----------
    frames_bytes : int
        The decoded frames with their levels, in the work folder until the picture is done; exact.
    stages_bytes : int
        Results of the stages, in the work folder.
    picture_bytes : int
        The picture itself, as a usual photograph packs; 0 where none is made.
    """

    frames_bytes: int
    stages_bytes: int
    picture_bytes: int

    @property
    def work_bytes(self) -> int:
        """All that lies in the work folder at once."""
        return self.frames_bytes + self.stages_bytes


def estimate_scratch(
    frames: Iterable[tuple[int, int, int]],
    plate_pixels: float | None = None,
    *,
    picture_bits: int | None = 16,
) -> ScratchEstimate:
    """Estimate what a run takes on disk.

    Parameters
    ----------
    frames : iterable of (width, height, bits)
        Size of every frame, px, and bits a sample: 8 or 16.
    plate_pixels : float or None
        Px of the picture as planned; None: the least that frames which overlap by up to a half leave.
    picture_bits : int or None
        Bits a sample of the picture, 8 or 16; None: no picture is made.
    """
    sizes = list(frames)
    if plate_pixels is None:
        plate_pixels = _LEAST_NEW * sum(width * height for width, height, _ in sizes)
    picture = 0
    if picture_bits is not None:
        side = max(1, round(plate_pixels**0.5))
        picture = PictureFormat(side, side, picture_bits).expected_bytes()
    return ScratchEstimate(
        sum(TileLayout(width, height, bits).length for width, height, bits in sizes),
        _STAGES_PER_FRAME * len(sizes),
        picture,
    )
