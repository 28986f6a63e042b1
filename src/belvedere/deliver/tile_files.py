"""The files of a picture's static tiles, written as the tiles come."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.deliver.finished_folder import written
from belvedere.deliver.iiif import TileSet, tile_at, whole_paths
from belvedere.deliver.light_pyramid import LightTile
from belvedere.deliver.screen_colour import ScreenColour
from belvedere.deliver.share_jpeg import FULL_COLOUR_FROM


@dataclass
class TileFiles:
    """Writes tiles, and keeps what the whole pictures are made of.

    Parameters
    ----------
    folder : Path
        Where info.json lies.
    tiles : TileSet
    colour : ScreenColour
    ground : tuple of 3 int
        sRGB of what shows where nothing was photographed.
    quality : int
        JPEG quality, 1 to 100; from 90 on without colour subsampling.
    """

    folder: Path
    tiles: TileSet
    colour: ScreenColour
    ground: tuple[int, int, int]
    quality: int
    _whole: dict[int, NDArray[np.uint8]] = field(init=False)

    def __post_init__(self) -> None:
        self._whole = {}
        for level in self.tiles.whole_levels:
            width, height = self.tiles.level_size(level)
            self._whole[level] = np.zeros((height, width, 3), np.uint8)

    def draw(self, tile: LightTile) -> None:
        """Write a tile; called from several threads."""
        rgb = self.colour.encode(tile.light, self.ground)
        whole = self._whole.get(tile.level)
        if whole is not None:
            y, x = tile.row * self.tiles.tile, tile.column * self.tiles.tile
            whole[y : y + rgb.shape[0], x : x + rgb.shape[1]] = rgb
        path = tile_at(self.tiles, tile.level, tile.column, tile.row).path
        if not path.startswith("full/"):  # that comes with the whole pictures
            written(self.folder / path, self._jpeg(rgb))

    def write_whole(self) -> None:
        """Write the whole pictures, once every tile was drawn."""
        for level, rgb in self._whole.items():
            data = self._jpeg(rgb)
            for path in whole_paths(self.tiles, level):
                written(self.folder / path, data)

    def _jpeg(self, rgb: NDArray[np.uint8]) -> bytes:
        """A JPEG without a profile, which browsers take as sRGB (CSS Color Module Level 4, W3C, 10.2)."""
        return bytes(
            simplejpeg.encode_jpeg(
                np.ascontiguousarray(rgb),
                quality=self.quality,
                colorspace="RGB",
                colorsubsampling="444" if self.quality >= FULL_COLOUR_FROM else "420",
                fastdct=False,
            )
        )
