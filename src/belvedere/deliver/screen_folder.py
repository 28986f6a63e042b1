"""A picture for the screen: one folder with its tiles, a page that shows them, and JPEGs to be shared."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray

from belvedere.deliver.finished_folder import finished_folder, written
from belvedere.deliver.iiif import TILE, TileSet, all_paths, image_information, tile_at, whole_paths
from belvedere.deliver.light_pyramid import LightTile, walk_light
from belvedere.deliver.picture import Picture
from belvedere.deliver.reduced import Reduction, reduced_size
from belvedere.deliver.screen_colour import ScreenColour, screen_colour
from belvedere.deliver.share_jpeg import FULL_COLOUR_FROM, QUALITY, write_share_jpeg
from belvedere.deliver.share_metadata import Told, share_metadata
from belvedere.deliver.zoom_page.page import zoom_page
from belvedere.deliver.zoom_page.viewer import MISSING, viewer_script
from belvedere.errors import OutputFailed
from belvedere.optics.file_limits import JPEG_LIBRARY_SIDE

SCHEMA = "belvedere.screen/1"
ABOUT = "screen.json"
"""What a folder made here says of itself: a folder without may not be replaced."""

TILES = "tiles"
PAGE = "index.html"
TILE_QUALITY = 85
"""JPEG quality of tiles (libjpeg's scale; common practice, no published source)."""

TRY_AT = "http://localhost:8000"
"""Where `python3 -m http.server` shows a folder: stands for the address nobody gave."""


@dataclass(frozen=True)
class ScreenOptions:
    """What is wanted for the screen.

    Parameters
    ----------
    page : bool
        Tiles, and the page that shows them.
    share_px : tuple of int
        Long sides of the JPEGs to be shared, px, 16 to 65,500; a picture is never enlarged.
    tile : int
        Side of a tile, px.
    tile_quality, share_quality : int
        JPEG quality, 1 to 100.
    told : "all", "no place" or "nothing"
        How much of the metadata goes along with the JPEGs to be shared; tiles carry none.
    address : str or None
        Where the folder will be found on the web: info.json has to name it. The page needs none.
    title : str or None
        Of the page; the picture's name if not given.
    ground : tuple of 3 int
        sRGB of what shows where nothing was photographed, and around the picture.

    Raises
    ------
    OutputFailed
        If a value is out of its range.
    """

    page: bool = True
    share_px: tuple[int, ...] = (2048,)
    tile: int = TILE
    tile_quality: int = TILE_QUALITY
    share_quality: int = QUALITY
    told: Told = "all"
    address: str | None = None
    title: str | None = None
    ground: tuple[int, int, int] = (0x16, 0x18, 0x1A)

    def __post_init__(self) -> None:
        for quality in (self.tile_quality, self.share_quality):
            if not 1 <= quality <= 100:
                raise OutputFailed(f"JPEG quality: give a number from 1 to 100, not {quality}")
        for side in self.share_px:
            if not 16 <= side <= JPEG_LIBRARY_SIDE:
                raise OutputFailed(
                    f"a JPEG to be shared: give its long side as 16 to {JPEG_LIBRARY_SIDE} px, not {side}"
                )
        if self.address is not None and not re.match(r"https?://[^/\s]", self.address):
            raise OutputFailed(
                f"the folder's address must begin with http:// or https://, not “{self.address}”"
            )
        if not self.page and not self.share_px:
            raise OutputFailed("nothing to make: neither tiles nor a JPEG to be shared is wanted")
        TileSet(1, 1, self.tile)


@dataclass(frozen=True)
class ScreenMade:
    """What was made.

    Parameters
    ----------
    tiles : int
        Files under tiles/, info.json not counted.
    page : bool
        Whether there is a page.
    shares : tuple of (str, int, int)
        Name, width and height of each JPEG to be shared.
    notices : tuple of str
        What a person should know, one sentence each, without a full stop.
    left_out : tuple of str
        What was wanted and is not there, likewise.
    """

    tiles: int
    page: bool
    shares: tuple[tuple[str, int, int], ...]
    notices: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def made_for_screen(folder: Path) -> bool:
    """Whether a folder was made here, and nothing was put into it since: so it may be replaced."""
    try:
        about = json.loads((folder / ABOUT).read_bytes())
        if about["schema"] != SCHEMA:
            return False
        ours = {ABOUT, about["tiles"], about["page"], *(share["file"] for share in about["shares"])}
        return {entry.name for entry in folder.iterdir()} <= ours
    except (OSError, ValueError, TypeError, KeyError):
        return False


def write_for_screen(
    picture: Picture,
    folder: Path,
    options: ScreenOptions,
    *,
    workers: int = 1,
    progress: Callable[[float], None] | None = None,
) -> ScreenMade:
    """Make the folder, whole or not at all; the same picture and options give the same bytes.

    Parameters
    ----------
    picture : Picture
    folder : Path
        Replaced if it is there: ask `finished_folder.check_folder` first.
    options : ScreenOptions
    workers : int
        Threads; each holds a block of 2048 x 2048 px or a little more.
    progress : function of a share, 0 to 1, optional

    Raises
    ------
    OutputFailed
        If the disk is full or the folder cannot be written to.
    UnreadableFile
        If the picture is damaged.
    """
    tiles = TileSet(picture.width, picture.height, options.tile)
    colour = screen_colour(picture.icc, picture.bits)
    shares = [_Share(tiles, side) for side in sorted(set(options.share_px), reverse=True)]
    notices = [] if colour.notice is None else [f"{picture.path.name}: {colour.notice}"]
    left_out: list[str] = []
    script = viewer_script() if options.page else None
    if options.page and script is None:
        left_out.append(MISSING)
    with finished_folder(folder) as part:
        drawing = _Drawing(part / TILES, tiles, colour, options) if options.page else None

        def draw(tile: LightTile) -> None:
            if drawing is not None:
                drawing.draw(tile)

        def feed(tile: LightTile) -> None:
            for share in shares:
                share.feed(tile)

        walk_light(
            picture.read,
            colour.light,
            tiles,
            draw=draw,
            feed=feed,
            wanted=frozenset(share.level for share in shares),
            workers=workers,
            progress=progress,
        )
        count = 0
        if drawing is not None:
            drawing.write_whole()
            count = sum(1 for _ in all_paths(tiles))
            information = image_information(tiles, f"{(options.address or TRY_AT).rstrip('/')}/{TILES}")
            written(part / TILES / "info.json", _json(information))
            if script is not None:
                page = zoom_page(
                    options.title or picture.path.stem,
                    information,
                    script,
                    tiles=TILES,
                    full_turn=_is_full_turn(picture),
                    ground="#{:02x}{:02x}{:02x}".format(*options.ground),
                )
                written(part / PAGE, page.encode("utf-8"))
        made: dict[str, tuple[str, int, int]] = {}
        for share in shares:
            name = f"{picture.path.stem}-{max(share.out)}.jpg"
            if name in made:
                continue
            metadata = share_metadata(picture.tags, picture.xmp, *share.out, told=options.told)
            notices += [notice for notice in metadata.notices if notice not in notices]
            stream = io.BytesIO()
            rgb = colour.encode(share.light(), options.ground)
            write_share_jpeg(stream, rgb, quality=options.share_quality, metadata=metadata)
            written(part / name, stream.getvalue())
            made[name] = (name, *share.out)
            if share.asked > max(share.out):
                notices.append(
                    f"{name}: the picture's own size; nothing is enlarged to the {share.asked} px asked for"
                )
        about = {
            "schema": SCHEMA,
            "picture": {"file": picture.path.name, "width": picture.width, "height": picture.height},
            "tiles": TILES if drawing is not None else None,
            "page": PAGE if script is not None else None,
            "shares": [{"file": name, "width": w, "height": h} for name, w, h in made.values()],
        }
        written(part / ABOUT, _json(about))
    return ScreenMade(count, script is not None, tuple(made.values()), tuple(notices), tuple(left_out))


@dataclass
class _Drawing:
    """Writes tiles as they come, and keeps what the whole pictures are made of."""

    folder: Path
    tiles: TileSet
    colour: ScreenColour
    options: ScreenOptions
    whole: dict[int, NDArray[np.uint8]] = field(init=False)

    def __post_init__(self) -> None:
        self.whole = {}
        for level in self.tiles.whole_levels:
            width, height = self.tiles.level_size(level)
            self.whole[level] = np.zeros((height, width, 3), np.uint8)

    def draw(self, tile: LightTile) -> None:
        """Write a tile; called from several threads."""
        rgb = self.colour.encode(tile.light, self.options.ground)
        whole = self.whole.get(tile.level)
        if whole is not None:
            y, x = tile.row * self.tiles.tile, tile.column * self.tiles.tile
            whole[y : y + rgb.shape[0], x : x + rgb.shape[1]] = rgb
        path = tile_at(self.tiles, tile.level, tile.column, tile.row).path
        if not path.startswith("full/"):  # that comes with the whole pictures
            written(self.folder / path, self._jpeg(rgb))

    def write_whole(self) -> None:
        """Write the whole pictures, once every tile was drawn."""
        for level, rgb in self.whole.items():
            data = self._jpeg(rgb)
            for path in whole_paths(self.tiles, level):
                written(self.folder / path, data)

    def _jpeg(self, rgb: NDArray[np.uint8]) -> bytes:
        """A JPEG without a profile, which browsers take as sRGB (CSS Color Module Level 4, W3C, 10.2)."""
        return bytes(
            simplejpeg.encode_jpeg(
                np.ascontiguousarray(rgb),
                quality=self.options.tile_quality,
                colorspace="RGB",
                colorsubsampling="444" if self.options.tile_quality >= FULL_COLOUR_FROM else "420",
                fastdct=False,
            )
        )


class _Share:
    """A reduced picture, from the level that still has twice its size, or from the picture itself."""

    def __init__(self, tiles: TileSet, side: int) -> None:
        self.asked = side
        self.out = reduced_size(tiles.width, tiles.height, side)
        self.level = max(
            (k for k in range(tiles.levels) if max(tiles.level_size(k)) >= 2 * max(self.out)), default=0
        )
        self._tile = tiles.tile
        s = 2**self.level
        size, span = tiles.level_size(self.level), (tiles.width / s, tiles.height / s)
        self._reduction = Reduction(size, span, self.out)

    def feed(self, tile: LightTile) -> None:
        if tile.level == self.level:
            self._reduction.feed(tile.column * self._tile, tile.row * self._tile, tile.light)

    def light(self) -> NDArray[np.float32]:
        return self._reduction.light()


def _is_full_turn(picture: Picture) -> bool:
    """Whether the picture's plate goes once around, by its report."""
    if picture.report is None:
        return False
    plate = picture.report.plate
    around = 2.0 * math.pi * plate.pixels_per_radian
    return (
        plate.projection in ("equirectangular", "cylindrical", "mercator") and abs(plate.width - around) < 1
    )


def _json(value: Any) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=2) + "\n").encode("utf-8")
