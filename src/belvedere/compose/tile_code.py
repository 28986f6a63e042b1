"""A tile of samples as a TIFF stores it: horizontal differences, then deflate."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

LEVEL = 1
"""Deflate level of libdeflate: the fastest, and on 16-bit photographs none of the higher ones is smaller."""

Samples = NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.float32]


def encode_tile(pixels: Samples, tile: int = 512, *, as_is: bool = False) -> bytes:
    """Encode one tile: predictor 2 and compression 8 (TIFF 6.0, section 14; Adobe deflate, RFC 1950).

    Floating-point samples take predictor 3 (TIFF Technical Note 3, Adobe, 2005; from memory).

    Parameters
    ----------
    pixels : ndarray of shape (h, w, 3 or 4), uint8, uint16 or float32
        Red, green, blue and, in a picture that has it, coverage; 1 <= h, w <= tile. A tile at the right or
        lower edge of the picture may be given short. Samples where coverage is 0 are stored as 0.
    tile : int
        Side of the file's tiles, px; short ones are filled up with zeros.
    as_is : bool
        Store what lies under coverage 0 too.

    Returns
    -------
    encoded : bytes
        For `TiledTiff.put`. The same pixels give the same bytes. Releases the
        interpreter's lock, for threads.
    """
    height, width, samples = pixels.shape
    if samples not in (3, 4) or not (1 <= height <= tile and 1 <= width <= tile):
        raise ValueError(f"a tile needs the shape (1..{tile}, 1..{tile}, 3 or 4), not {pixels.shape}")
    if pixels.dtype not in (np.uint8, np.uint16, np.float32):
        raise ValueError(f"a tile needs uint8, uint16 or float32 samples, not {pixels.dtype}")
    if samples == 3 or as_is:
        if not pixels.any():
            return _empty_tile(tile, pixels.dtype.itemsize, samples)
        return _deflate(_differences(pixels, tile))
    coverage = pixels[..., 3]
    if not coverage.any():
        return _empty_tile(tile, pixels.dtype.itemsize)
    shown = pixels if coverage.all() else np.where(coverage[..., None] > 0, pixels, 0)
    return _deflate(_differences(shown, tile))


def decode_tile(encoded: bytes, tile: int, samples: int, bits: int) -> Samples:
    """What `encode_tile` was given, filled up to (tile, tile, samples).

    Raises
    ------
    ValueError
        If it holds less than a tile.
    """
    data = imagecodecs.deflate_decode(encoded, out=tile * tile * samples * bits // 8)
    differences: Any = np.frombuffer(data, f"<u{bits // 8}")
    if differences.size != tile * tile * samples:
        raise ValueError("a tile that is cut short")
    if bits == 32:
        floats: Samples = imagecodecs.floatpred_decode(
            differences.view(np.float32).reshape(tile, tile, samples), axis=-2
        )
        return floats
    whole: Samples = imagecodecs.delta_decode(differences.reshape(tile, tile, samples), axis=-2)
    return whole


def bound_bytes(tile: int, bits: int, samples: int = 4) -> int:
    """What a tile can take at most: deflate adds less than 0.2 % and 1 KiB to what it cannot shrink.

    Stored blocks of RFC 1951 cost 5 bytes each; libdeflate's blocks hold at least 5,000 bytes (from memory).
    """
    raw = tile * tile * samples * bits // 8
    return raw + raw // 512 + 1024


def differences_into(pixels: NDArray[Any], out: NDArray[Any]) -> None:
    """Fill `out`, of either byte order, with every sample minus its left neighbour's of the same channel.

    TIFF 6.0, section 14; so it is in PDF (ISO 32000-1, 7.4.4.4). Both are (h, w, channels) of one unsigned
    type; differences are taken modulo its range.
    """
    out[:, 0] = pixels[:, 0]
    np.subtract(pixels[:, 1:], pixels[:, :-1], out=out[:, 1:])


def _differences(pixels: Samples, tile: int) -> Samples:
    """What predictor 2 or, of floating-point samples, 3 leaves of a tile."""
    if pixels.dtype != np.float32:
        return _horizontal_differences(pixels, tile)
    out = np.zeros((tile, tile, pixels.shape[2]), np.float32)
    out[: pixels.shape[0], : pixels.shape[1]] = pixels
    left: Samples = imagecodecs.floatpred_encode(out, axis=-2)
    return left


def _horizontal_differences(pixels: Samples, tile: int) -> Samples:
    """Every sample minus its left neighbour in the same channel, modulo its range; filled up with zeros."""
    height, width, samples = pixels.shape
    out = np.zeros((tile, tile, samples), dtype=pixels.dtype.newbyteorder("<"))  # as the file is
    differences_into(pixels, out[:height, :width])
    if width < tile:  # the fill is 0, so its first sample differs by minus the last one
        np.subtract(0, pixels[:, -1], out=out[:height, width], dtype=pixels.dtype)
    return out


def _deflate(samples: Samples) -> bytes:
    data: Any = samples  # takes any contiguous buffer
    return bytes(imagecodecs.deflate_encode(data, level=LEVEL))


@lru_cache(maxsize=8)
def _empty_tile(tile: int, sample_bytes: int, samples: int = 4) -> bytes:
    return _deflate(np.zeros((tile, tile, samples), dtype=f"<u{sample_bytes}"))
