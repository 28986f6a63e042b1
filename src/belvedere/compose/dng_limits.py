"""How large a linear DNG may be so that readers take it."""

from __future__ import annotations

from collections.abc import Callable

from belvedere.compose.dng_tile import bound_dng_bytes, bound_mask_bytes

CLASSIC_LIMIT = 2**32
"""Offsets of classic TIFF, which a DNG is up to 1.6, have 32 bits; LibRaw reads no DNG in BigTIFF."""

LEAST_SIDE, MOST_SIDE = 22, 64_000
"""Sides in px that LibRaw 0.22.2 (in rawpy 0.28.0) opens: tried with 21, 22, 64,000 and 64,001 px."""

MOST_BYTES, _MORE_ROWS = 2**31, 8
"""LibRaw keeps 8 bytes a px, and 8 rows more than the picture has, within 2 GiB.

Tried: 16,384 x 16,376 and 64,000 x 4,186 px open, one row more does not.
"""

_HEAD = 64 << 20  # room for directories, preview and XMP
_STEPS = 1000


def dng_tile_side(width: int, most: int = 512) -> int:
    """Side of the tiles of a picture of this width, px: a multiple of 16, no wider than the picture.

    LibRaw 0.22.2 reads a lossless tile that is wider than the picture line by line of the picture's width,
    and so wrongly (tried). Pictures below 16 px, which it does not read anyhow, have tiles of 16 px.
    """
    return max(16, min(most, width // 16 * 16))


def fits_dng(width: int, height: int) -> bool:
    """Whether readers take a linear DNG of this size, whatever it shows."""
    if not (min(width, height) >= LEAST_SIDE and max(width, height) <= MOST_SIDE):
        return False
    if width * (height + _MORE_ROWS) * 8 > MOST_BYTES:
        return False
    tile = dng_tile_side(width)
    tiles = -(-width // tile) * -(-height // tile)
    return tiles * (bound_dng_bytes(tile) + bound_mask_bytes(tile)) + _HEAD < CLASSIC_LIMIT


def largest_share(size_at: Callable[[float], tuple[int, int]]) -> float | None:
    """The largest share of the resolution, in steps of 0.1 %, at which a picture fits a DNG.

    Parameters
    ----------
    size_at : function of a share, 0 to 1
        (width, height) in px of the picture at that share of its full resolution; never falls.

    Returns
    -------
    float or None
        A whole number of thousandths, 1.0 where the full size fits; None where not even a thousandth does.
    """

    def fits(steps: int) -> bool:
        return fits_dng(*size_at(steps / _STEPS))

    if fits(_STEPS):
        return 1.0
    low, high = 0, _STEPS  # fits, as far as is known; does not
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low / _STEPS if low else None
