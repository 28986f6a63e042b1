"""From plate, tone and seams to pixels: the picture block by block, and a small copy of the whole."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.compose.encode import PieceEncoder
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import encode_tile
from belvedere.geometry.plate import Plate
from belvedere.pipeline.blocks import BlockMaker, TileCoder, plan_blocks
from belvedere.pipeline.scene import Scene
from belvedere.pipeline.schedule import Schedule
from belvedere.pipeline.tile_counts import TileCounts

PREVIEW_SIDE = 2000
_PAPER = 255  # what a preview shows where no frame does


@dataclass(frozen=True, slots=True)
class Spent:
    """Thread seconds that went into rendering and into encoding, and px covered and over white."""

    render_s: float
    encode_s: float
    covered: int
    over_white: int


def render_picture(
    scene: Scene,
    tiff: TiledTiff,
    counts: TileCounts,
    encoder: PieceEncoder,
    block_px: int,
    run: Schedule,
    advance: Callable[[float], None],
    code: TileCoder = encode_tile,
) -> Spent:
    """Render every tile that is not yet in the file, and put it there.

    Parameters
    ----------
    scene : Scene
    tiff : TiledTiff
        The file; tiles that an earlier run put there are not made again.
    counts : TileCounts
        What is known of the tiles.
    encoder : PieceEncoder
    block_px : int
        Side of a block, a multiple of the file's tile.
    run : Schedule
        Renders blocks; tiles are put in their order.
    advance : callable
        Told the share that is done.
    code : TileCoder
        Makes a tile's bytes.
    """
    form = tiff.form
    make = BlockMaker(scene, encoder, form.width, form.height, form.tile, code)
    blocks = plan_blocks(
        form.columns,
        form.rows,
        max(1, block_px // form.tile),
        tiff.is_put,
        lambda column, row: counts.get(column, row) is not None,
    )
    render_s = encode_s = 0.0
    for done, made in enumerate(run(make, blocks), start=1):
        began = time.perf_counter()
        for tile in made.tiles:
            for level in reversed(range(len(tile.coded))):  # the picture last: where it is, all levels are
                if not tiff.is_put(tile.column, tile.row, level):
                    tiff.put(tile.column, tile.row, tile.coded[level], level)
            counts.add(tile.column, tile.row, tile.pixels)
        render_s += made.render_s
        encode_s += made.encode_s + time.perf_counter() - began
        advance(done / len(blocks))
    covered, over = counts.totals()
    return Spent(render_s, encode_s, covered, over)


def preview_level(plate: Plate, side: int = PREVIEW_SIDE) -> int:
    """The plate level from which the preview is drawn: the last that is no smaller than the preview."""
    return max(0, math.floor(math.log2(max(plate.width, plate.height) / side)))


def render_preview(
    scene: Scene,
    encoder: PieceEncoder,
    run: Schedule,
    advance: Callable[[float], None],
    side: int = PREVIEW_SIDE,
) -> tuple[NDArray[np.uint8], float, float]:
    """A small copy of the whole with the picture's own cameras, tone and seams.

    Returns
    -------
    rgb : ndarray of shape (h, w, 3), uint8
        Long side at most `side`; white where no frame shows anything.
    covered, over_white : float
        Shares of the plate, and of what is covered.
    """
    level = preview_level(scene.plate, side)
    while scene.plate.wraps and scene.plate.width % 2 ** max(level, scene.levels):
        level -= 1
    step = 2**level
    width, height = -(-scene.plate.width // step), -(-scene.plate.height // step)
    strip = max(64, (1 << 19) // width)
    bands: Sequence[tuple[int, int]] = [(y, min(y + strip, height)) for y in range(0, height, strip)]
    codes = np.empty((height, width, 4), np.uint8)

    def make(band: tuple[int, int]) -> tuple[int, int]:
        coded = encoder.encode(scene.render(0, band[0], width, band[1] - band[0], level))
        codes[band[0] : band[1]] = coded.codes
        return coded.covered, coded.over_white

    covered = over = 0
    for done, (shown, white) in enumerate(run(make, bands), start=1):
        covered, over = covered + shown, over + white
        advance(done / len(bands))
    rgb = np.where(codes[..., 3:] > 0, codes[..., :3], np.uint8(_PAPER))
    scale = min(1.0, side / max(width, height))
    if scale < 1.0:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return rgb, covered / (width * height), over / max(covered, 1)
