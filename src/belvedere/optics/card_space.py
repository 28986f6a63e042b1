"""Space that frames take on the card."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive

RAW_BYTES_PER_PIXEL = 1.2
"""A raw file of 14 bits, compressed without loss, its preview included: 1.75 bytes before compression; from
1.0 for a smooth, clean scene to 1.5 at high speeds (common practice, no published source)."""

JPEG_BYTES_PER_PIXEL = 0.45
"""The finest JPEG of a camera, of a detailed landscape; from 0.25 to 0.7 (common practice, no published
source)."""


@dataclass(frozen=True, slots=True)
class CardSpace:
    """What frames take on the card.

    Parameters
    ----------
    raw_bytes, jpeg_bytes : int
        All frames as raw files, and all as JPEG; their sum where the camera writes both. 1 MB is 10^6 bytes.
    """

    raw_bytes: int
    jpeg_bytes: int


def card_space(
    frames: int,
    megapixels: float,
    *,
    raw_bytes_per_pixel: float = RAW_BYTES_PER_PIXEL,
    jpeg_bytes_per_pixel: float = JPEG_BYTES_PER_PIXEL,
) -> CardSpace:
    """Space on the card for so many frames: bytes a pixel are MB a megapixel.

    Parameters
    ----------
    frames : int
        All files of the sweep, brackets and marker frames included, >= 0.
    megapixels : float
        Millions of pixels a frame, > 0.
    raw_bytes_per_pixel, jpeg_bytes_per_pixel : float
        As one's own files have it, > 0: file size in MB over megapixels.

    Raises
    ------
    PlanError
        If a value is out of its range.
    """
    if not frames >= 0:
        raise PlanError(f"the number of frames must be 0 or above, not {frames:g}")
    pixels = frames * need_positive("a frame's megapixels", megapixels) * 1e6
    return CardSpace(
        round(pixels * need_positive("the bytes of a raw pixel", raw_bytes_per_pixel)),
        round(pixels * need_positive("the bytes of a JPEG pixel", jpeg_bytes_per_pixel)),
    )
