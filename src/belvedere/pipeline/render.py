"""From plate, tone and seams to pixels: the picture block by block, and a small copy of the whole."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.capture.frame_source import FrameSource
from belvedere.compose.blend import blend_levels, render_tile
from belvedere.compose.encode import Encoder
from belvedere.compose.light import FrameLight, frame_light
from belvedere.compose.owners_at import owners_at
from belvedere.compose.piece import Piece
from belvedere.compose.seams import Seams
from belvedere.compose.tiff import TiledTiff
from belvedere.compose.tile_code import encode_tile
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.pipeline.schedule import Schedule
from belvedere.pipeline.tile_counts import TileCount, TileCounts
from belvedere.tone.tone import Tone

PREVIEW_SIDE = 2000
_PAPER = 255  # what a preview shows where no frame does


class Scene:
    """All that the pixels of a picture depend on.

    Parameters
    ----------
    source : FrameSource
        Pixels of the whole set.
    alignment, tone, plate, seams
        Results of the stages; the seams' labels index the used frames.
    """

    def __init__(
        self, source: FrameSource, alignment: Alignment, tone: Tone, plate: Plate, seams: Seams
    ) -> None:
        self.source = source
        self.plate = plate
        self.cameras = [placed.camera for placed in alignment.frames]
        self.lights = lights(alignment, tone)
        self.levels = blend_levels(plate, self.cameras)
        self._owner = owners_at(seams, plate, used_cameras(alignment))
        self._numbers = np.array([*alignment.used, -1], dtype=np.int16)  # label -1 stays -1

    def _owners_at(self, x0: int, y0: int, width: int, height: int, step: int) -> NDArray[np.int16]:
        return self._numbers[self._owner(x0, y0, width, height, step)]

    def render(self, x0: int, y0: int, width: int, height: int, base_level: int = 0) -> Piece:
        """A rectangle of the picture; see `compose.blend.render_tile`."""
        return render_tile(
            self.source,
            self.cameras,
            self.lights,
            self.plate,
            self._owners_at,
            self.levels,
            x0,
            y0,
            width,
            height,
            base_level=base_level,
        )


def used_cameras(alignment: Alignment) -> list[Camera]:
    """Cameras of the used frames, in order."""
    return [placed.camera for placed in alignment.frames if placed.camera is not None]


def lights(alignment: Alignment, tone: Tone) -> list[FrameLight | None]:
    """Light of every frame of the set; None where a frame is not used."""
    return [
        frame_light(tone, placed.camera, i) if placed.camera is not None else None
        for i, placed in enumerate(alignment.frames)
    ]


class Block(NamedTuple):
    """Tiles of the file rendered together: columns and rows, first included, last excluded."""

    column0: int
    row0: int
    column1: int
    row1: int

    def tiles(self) -> Iterator[tuple[int, int]]:
        """(column, row) of each tile, row by row."""
        return ((c, r) for r in range(self.row0, self.row1) for c in range(self.column0, self.column1))


@dataclass(frozen=True, slots=True)
class Spent:
    """Thread seconds that went into rendering and into encoding, and px covered and over white."""

    render_s: float
    encode_s: float
    covered: int
    over_white: int


def plan_blocks(columns: int, rows: int, side: int, todo: Callable[[int, int], bool]) -> list[Block]:
    """Blocks of side x side tiles, row by row, of which a tile is still to do."""
    blocks = [
        Block(c, r, min(c + side, columns), min(r + side, rows))
        for r in range(0, rows, side)
        for c in range(0, columns, side)
    ]
    return [block for block in blocks if any(todo(c, r) for c, r in block.tiles())]


class _Tile(NamedTuple):
    column: int
    row: int
    encoded: bytes
    pixels: TileCount


def render_picture(
    scene: Scene,
    tiff: TiledTiff,
    counts: TileCounts,
    encoder: Encoder,
    block_px: int,
    run: Schedule,
    advance: Callable[[float], None],
) -> Spent:
    """Render every tile that is not yet in the file, and put it there.

    Parameters
    ----------
    scene : Scene
    tiff : TiledTiff
        The file; tiles that an earlier run put there are not made again.
    counts : TileCounts
        What is known of the tiles.
    encoder : Encoder
    block_px : int
        Side of a block, a multiple of the file's tile.
    run : Schedule
        Renders blocks; tiles are put in their order.
    advance : callable
        Told the share that is done.
    """
    form = tiff.form
    side = form.tile

    def make(block: Block) -> tuple[list[_Tile], float, float]:
        began = time.perf_counter()
        x0, y0 = block.column0 * side, block.row0 * side
        width = min(block.column1 * side, form.width) - x0
        height = min(block.row1 * side, form.height) - y0
        piece = scene.render(x0, y0, width, height)
        rendered = time.perf_counter()
        tiles = []
        for column, row in block.tiles():
            if tiff.is_put(column, row) and counts.get(column, row) is not None:
                continue
            own = (
                slice(row * side - y0, min((row + 1) * side - y0, height)),
                slice(column * side - x0, min((column + 1) * side - x0, width)),
            )
            coded = encoder.encode(Piece(piece.colour[own], piece.coverage[own], piece.valid[own]))
            data = b"" if tiff.is_put(column, row) else encode_tile(coded.codes, side)
            tiles.append(_Tile(column, row, data, TileCount(coded.covered, coded.over_white)))
        return tiles, rendered - began, time.perf_counter() - rendered

    def todo(column: int, row: int) -> bool:
        return not tiff.is_put(column, row) or counts.get(column, row) is None

    blocks = plan_blocks(form.columns, form.rows, max(1, block_px // side), todo)
    render_s = encode_s = 0.0
    for done, (tiles, rendering, encoding) in enumerate(run(make, blocks), start=1):
        began = time.perf_counter()
        for tile in tiles:
            if tile.encoded:
                tiff.put(tile.column, tile.row, tile.encoded)
            counts.add(tile.column, tile.row, tile.pixels)
        render_s += rendering
        encode_s += encoding + time.perf_counter() - began
        advance(done / len(blocks))
    covered, over = counts.totals()
    return Spent(render_s, encode_s, covered, over)


def preview_level(plate: Plate, side: int = PREVIEW_SIDE) -> int:
    """The plate level from which the preview is drawn: the last that is no smaller than the preview."""
    return max(0, math.floor(math.log2(max(plate.width, plate.height) / side)))


def render_preview(
    scene: Scene, encoder: Encoder, run: Schedule, advance: Callable[[float], None], side: int = PREVIEW_SIDE
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
