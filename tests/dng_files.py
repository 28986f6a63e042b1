"""Linear DNGs of given samples, for tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.compose.dng_format import DngFormat, Matrix
from belvedere.compose.dng_preview import encode_dng_preview
from belvedere.compose.dng_tile import encode_dng_tile, encode_mask_tile
from belvedere.compose.tiff import TiledTiff

MATRIX: Matrix = ((0.92, -0.32, -0.11), (-0.38, 1.27, 0.12), (-0.05, 0.19, 0.56))
"""CIE XYZ to an invented camera's colour."""
NEUTRAL = (0.52, 1.0, 0.71)
D65, INCANDESCENT = 21, 17
"""EXIF LightSource: D65 and standard light A."""


def dng_form(width: int, height: int, **more: Any) -> DngFormat:
    """A form with a grey preview of 12 x 8 px."""
    grey = encode_dng_preview(np.full((8, 12, 3), 128, np.uint8))
    fields: dict[str, Any] = {
        "model": "Arbor M1", "matrices": ((D65, MATRIX),), "neutral": NEUTRAL, "preview": grey,
    }  # fmt: skip
    return DngFormat(width, height, **(fields | more))


def write_dng(
    path: Path, codes: NDArray[np.uint16], coverage: NDArray[np.uint16] | None = None, **more: Any
) -> DngFormat:
    """Write camera light, (h, w, 3), and its coverage, (h, w), tile by tile."""
    form = dng_form(codes.shape[1], codes.shape[0], **more)
    with TiledTiff(path, form) as file:
        for column, row in places(form):
            put_tile(file, codes, column, row, coverage)
    return form


def places(form: DngFormat) -> list[tuple[int, int]]:
    """(column, row) of every tile."""
    return [(column, row) for row in range(form.rows) for column in range(form.columns)]


def put_tile(
    file: TiledTiff,
    codes: NDArray[np.uint16],
    column: int,
    row: int,
    coverage: NDArray[np.uint16] | None = None,
) -> None:
    """Put a tile of the picture and of its mask."""
    tile = file.form.tile
    y, x = row * tile, column * tile
    shown = np.full(codes.shape[:2], 65535, np.uint16) if coverage is None else coverage
    file.put(column, row, encode_mask_tile(shown[y : y + tile, x : x + tile], tile), 1)
    file.put(column, row, tile_of(codes, column, row, tile))


def tile_of(codes: NDArray[np.uint16], column: int, row: int, tile: int) -> bytes:
    """One tile of a picture, coded."""
    y, x = row * tile, column * tile
    return encode_dng_tile(codes[y : y + tile, x : x + tile], tile)


def noise(height: int, width: int, seed: int = 0) -> NDArray[np.uint16]:
    """Samples of every value, some neighbours 32,768 apart."""
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, 65536, (height, width, 3), dtype=np.uint16)
    codes[:, 1::3] = codes[:, : codes[:, 1::3].shape[1]] ^ np.uint16(32768)
    return codes
