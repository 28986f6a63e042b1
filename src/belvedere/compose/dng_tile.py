"""A tile of linear light as a DNG stores it, by lossless JPEG, and of its coverage, deflated.

Sources: ITU-T T.81 (1992), annex H, for lossless coding (process 14) and its predictors, table H.1; DNG 1.4
(Adobe, 2012), "Compression", for lossless JPEG in tiles of 16-bit samples, and for deflate (RFC 1950) of
transparency masks (from memory).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from belvedere.compose.tile_code import LEVEL, bound_bytes

PREDICTOR = 7
"""The mean of left and above, (Ra + Rb) >> 1.

Of crops of eight developed and resampled raw files, real ones and the demo's, predictors 4 to 7 coded 0.63 to
0.78 of the bytes (but two crops at 0.47 to 0.65), most within 2 % of one another; 1 to 3 mostly more.
"""

Codes = NDArray[np.uint16]


def encode_dng_tile(codes: Codes, tile: int = 512) -> bytes:
    """Encode one tile, exactly.

    Parameters
    ----------
    codes : ndarray of shape (h, w, 3), uint16
        Red, green, blue, proportional to light; 1 <= h, w <= tile. A tile at the right or lower edge of the
        picture may be given short.
    tile : int
        Side of the file's tiles, px; short ones are filled up with their last column and row.

    Returns
    -------
    encoded : bytes
        For `TiledTiff.put`. The same samples give the same bytes. Releases the interpreter's lock, for
        threads.
    """
    if codes.ndim != 3 or codes.shape[2] != 3 or codes.dtype != np.uint16:
        raise ValueError(f"a tile needs uint16 samples (h, w, 3), not {codes.dtype} {codes.shape}")
    height, width = codes.shape[:2]
    if not (1 <= height <= tile and 1 <= width <= tile):
        raise ValueError(f"a tile needs the shape (1..{tile}, 1..{tile}, 3), not {codes.shape}")
    if not codes.any():
        return _empty_tile(tile)
    if (height, width) != (tile, tile):
        codes = np.pad(codes, ((0, tile - height), (0, tile - width), (0, 0)), mode="edge")
    return _lossless(codes)


def encode_mask_tile(coverage: Codes, tile: int = 512) -> bytes:
    """Encode how much each pixel of a tile is covered, in 8 bits: 0 not at all, 255 wholly.

    Parameters
    ----------
    coverage : ndarray of shape (h, w), uint16
        0 to 65535; 1 <= h, w <= tile. What is covered at all becomes 1 at least.
    tile : int
        Side of the file's tiles, px; short ones are filled up with zeros.

    Returns
    -------
    encoded : bytes
        For `TiledTiff.put`, level 1.
    """
    height, width = coverage.shape
    whole: Any = np.zeros((tile, tile), np.uint8)  # the encoder takes any contiguous buffer
    rounded = (coverage.astype(np.uint32) + 128) // 257
    whole[:height, :width] = np.where(coverage > 0, np.maximum(rounded, 1), 0)
    return bytes(imagecodecs.deflate_encode(whole, level=LEVEL))


def bound_mask_bytes(tile: int) -> int:
    """What a tile of coverage can take at most; see `tile_code.bound_bytes`."""
    return bound_bytes(tile, 8, 1)


def decode_dng_tile(encoded: bytes) -> Codes:
    """What `encode_dng_tile` was given, filled up to (tile, tile, 3).

    Raises
    ------
    ValueError
        If it is damaged.
    """
    try:
        return np.asarray(imagecodecs.jpeg8_decode(encoded), dtype=np.uint16)
    except imagecodecs.Jpeg8Error as error:
        raise ValueError(f"a damaged tile ({error})") from error


def bound_dng_bytes(tile: int) -> int:
    """What a tile can take at most.

    A code of k + 1 bits for differences of 15 - k further bits takes 16 bits for every sample and 17 for one
    of no difference; the best code of the samples at hand takes no more. A byte of 255 is followed by a 0
    (T.81, B.1.1.5), so twice that is never reached: the worst found is 1.5 times the samples (all
    differences 32,767).
    """
    return tile * tile * 3 * 17 // 8 * 2 + 1024


def _lossless(codes: Codes) -> bytes:
    return bytes(
        imagecodecs.jpeg8_encode(
            np.ascontiguousarray(codes), lossless=True, predictor=PREDICTOR, bitspersample=16
        )
    )


@lru_cache(maxsize=4)
def _empty_tile(tile: int) -> bytes:
    return _lossless(np.zeros((tile, tile, 3), np.uint16))
