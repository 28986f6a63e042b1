"""A picture to keep, written in one walk over it, whatever its size: itself and its halves, tile by tile."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import bound_bytes, decode_tile, encode_tile
from belvedere.deliver.iiif import TileSet
from belvedere.deliver.keep_form import KeepForm
from belvedere.deliver.keep_tags import KeepTags
from belvedere.deliver.light_codes import light_codes
from belvedere.deliver.light_pyramid import LightTile, walk_light
from belvedere.deliver.picture import Picture, processors
from belvedere.deliver.samples import Codes
from belvedere.errors import OutputFailed

_BAND_BYTES = 256 << 20
"""Samples read at once of a picture in compressed strips, whose rows come only as a whole."""

Progress = Callable[[float], None]
Encoded = dict[tuple[int, int, int], bytes]


@dataclass(frozen=True, slots=True)
class Kept:
    """What was written.

    Parameters
    ----------
    path : Path
    form : KeepForm
    is_big : bool
        Whether it had to be a BigTIFF.
    """

    path: Path
    form: KeepForm
    is_big: bool


def keep_form(picture: Picture, tags: KeepTags, *, big: bool | None = None) -> KeepForm:
    """What the file will look like: known before anything is computed."""
    return KeepForm(
        width=picture.width,
        height=picture.height,
        bits=picture.bits,
        samples=picture.channels,
        tags=tags.block,
        big=big,
    )


def write_keep_file(
    picture: Picture,
    out: Path,
    form: KeepForm,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Kept:
    """Write the picture, whole or not at all.

    Level 0 holds the picture's own codes. A further level holds the mean of the light of the pixels it stands
    for, each as much as it is covered; what is not covered has no say and becomes 0.

    Parameters
    ----------
    picture : Picture
    out : Path
        A file already there is replaced when the new one is on the disk.
    form : KeepForm
        Of this picture.
    workers : int, optional
        Threads; one a processor if not given. The file's bytes do not depend on it.
    progress : function of a share, 0 to 1, optional

    Raises
    ------
    OutputFailed
        If the folder may not be written to, the disk is full, or the picture was changed in the meantime.
    UnreadableFile
        If the picture is damaged.
    """
    threads = workers or processors()
    before = _identity(picture.path)
    codes = light_codes(picture.metadata, picture.bits)
    tiles = TileSet(picture.width, picture.height, form.tile, max(form.tile, 4096))
    first_share = 0.0 if picture.in_squares else 0.6
    with TiledTiff(out, form) as tiff:
        encoded: Encoded = {}
        if not picture.in_squares:
            _write_rows(picture, tiff, form, threads, lambda share: _tell(progress, first_share * share))

        def read(x0: int, y0: int, x1: int, y1: int) -> Codes:
            if not picture.in_squares:
                return _read_back(tiff, form, (x0, y0, x1, y1))
            found = picture.read(x0, y0, x1, y1)
            for column, row, y, x in _tiles_of(form.tile, x0, y0, x1, y1):
                # read, it is known to be sound; encoded again, it would be no other, but for the time
                data = picture.encoded_tile(column, row, form.tile)
                if data is None or len(data) > bound_bytes(form.tile, form.bits, form.samples):
                    piece = found[y : y + form.tile, x : x + form.tile]
                    data = encode_tile(piece, form.tile, as_is=True)
                encoded[0, column, row] = data
            return found

        def draw(tile: LightTile) -> None:
            if tile.level > 0:
                pixels = codes.codes(tile.light, form.samples)
                encoded[tile.level, tile.column, tile.row] = encode_tile(pixels, form.tile)

        def put(level: int, column: int, row: int) -> None:
            data = encoded.pop((level, column, row), None)
            if data is not None:
                tiff.put(column, row, data, level)

        def feed(tile: LightTile) -> None:
            if tile.level == 1:
                for row in (2 * tile.row, 2 * tile.row + 1):
                    for column in (2 * tile.column, 2 * tile.column + 1):
                        put(0, column, row)
            put(tile.level, tile.column, tile.row)

        walk_light(
            read,
            codes.light,
            tiles,
            draw=draw,
            feed=feed,
            wanted=frozenset(range(1, form.levels)),
            workers=threads,
            progress=lambda share: _tell(progress, first_share + (1.0 - first_share) * share),
        )
        put(0, 0, 0)  # of a picture that is one tile
        after = _identity(picture.path)
        if after is not None and after != before:
            raise OutputFailed(f"{picture.path}: was changed while it was read. Deliver it again.")
    with out.open("rb") as stream:
        is_big = stream.read(3) == b"II+"
    return Kept(out, form, is_big)


def _tell(progress: Progress | None, share: float) -> None:
    if progress is not None:
        progress(share)


def _identity(path: Path) -> tuple[int, int] | None:
    """Size and time of change; None where the file is gone, which does no harm while it is open."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _tiles_of(tile: int, x0: int, y0: int, x1: int, y1: int) -> Iterator[tuple[int, int, int, int]]:
    """(column, row, y, x) of the tiles in a rectangle that begins at one: place in the picture, and in it."""
    for y in range(y0, y1, tile):
        for x in range(x0, x1, tile):
            yield x // tile, y // tile, y - y0, x - x0


def _write_rows(picture: Picture, tiff: TiledTiff, form: KeepForm, workers: int, progress: Progress) -> None:
    """Put level 0 row of tiles by row of tiles, as wide as `_BAND_BYTES` allows."""
    tile = form.tile
    width = max(1, _BAND_BYTES // (tile * tile * form.samples * form.bits // 8)) * tile
    with ThreadPoolExecutor(workers) as pool:
        for y0 in range(0, form.height, tile):
            y1 = min(form.height, y0 + tile)
            for x0 in range(0, form.width, width):
                x1 = min(form.width, x0 + width)
                band = picture.read(x0, y0, x1, y1)
                places = list(_tiles_of(tile, x0, y0, x1, y1))
                pieces = [band[:, x : x + tile] for _, _, _, x in places]
                done = pool.map(lambda piece: encode_tile(piece, tile, as_is=True), pieces)
                for (column, row, _, _), data in zip(places, done, strict=True):
                    tiff.put(column, row, data)
            progress(y1 / form.height)


def _read_back(tiff: TiledTiff, form: KeepForm, box: tuple[int, int, int, int]) -> Codes:
    """A rectangle of level 0 that begins at a tile, from the file that is being written."""
    x0, y0, x1, y1 = box
    out: Codes = np.empty((y1 - y0, x1 - x0, form.samples), f"u{form.bits // 8}")
    for column, row, y, x in _tiles_of(form.tile, x0, y0, x1, y1):
        target = out[y : y + form.tile, x : x + form.tile]
        piece = decode_tile(tiff.get(column, row), form.tile, form.samples, form.bits)
        target[...] = piece[: target.shape[0], : target.shape[1]]
    return out
