"""A picture for the screen: a folder with its tiles, a page that shows them, and small ones to be shared."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from belvedere.deliver.finished_folder import finished_folder, written
from belvedere.deliver.iiif import TILE, TileSet, all_paths, image_information
from belvedere.deliver.light_pyramid import LightTile, walk_light
from belvedere.deliver.picture import Picture
from belvedere.deliver.screen_colour import screen_colour
from belvedere.deliver.share_jpeg import QUALITY
from belvedere.deliver.share_metadata import Told
from belvedere.deliver.shares import ShareKind, Shares
from belvedere.deliver.tile_files import TileFiles
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

MOST_WORKERS = 4
"""Threads at most: each may hold 100 MB of samples and light, and all is to stay below 1 GiB."""

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
        Long sides of the pictures to be shared, px, 16 to 65,500; a picture is never enlarged.
    share_as : tuple of "jpeg", "avif" or "jxl"
        Their formats, each picture in all of them.
    tile : int
        Side of a tile, px.
    tile_quality, share_quality : int
        JPEG quality, 1 to 100; AVIF and JPEG XL take the number on their own scales.
    told : "all", "no place" or "nothing"
        How much of the metadata goes along with the pictures to be shared; tiles carry none.
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
    share_as: tuple[ShareKind, ...] = ("jpeg",)
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
                    f"a picture to be shared: give its long side as 16 to {JPEG_LIBRARY_SIDE} px, not {side}"
                )
        if self.address is not None and not re.match(r"https?://[^/\s]", self.address):
            raise OutputFailed(
                f"the folder's address must begin with http:// or https://, not “{self.address}”"
            )
        if not self.page and not self.share_px:
            raise OutputFailed("nothing to make: neither tiles nor a picture to be shared is wanted")
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
        Name, width and height of each picture to be shared.
    notices : tuple of str
        What could not be known or kept, one sentence each, without a full stop.
    left_out : tuple of str
        What was wanted and is not there, likewise.
    remarks : tuple of str
        What is good to know, likewise.
    """

    tiles: int
    page: bool
    shares: tuple[tuple[str, int, int], ...]
    notices: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


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
        Threads, `MOST_WORKERS` at most.
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
    shares = Shares(tiles, options.share_px, options.share_as)
    script = viewer_script() if options.page else None
    with finished_folder(folder) as part:
        drawing = (
            TileFiles(part / TILES, tiles, colour, options.ground, options.tile_quality)
            if options.page
            else None
        )
        walk_light(
            picture.read,
            colour.light,
            tiles,
            draw=_pass if drawing is None else drawing.draw,
            feed=shares.feed,
            wanted=shares.levels,
            workers=min(workers, MOST_WORKERS),
            progress=progress,
        )
        if drawing is not None:
            drawing.write_whole()
            information = image_information(tiles, f"{(options.address or TRY_AT).rstrip('/')}/{TILES}")
            written(part / TILES / "info.json", _json(information))
            if script is not None:
                written(part / PAGE, _page(picture, information, script, options).encode("utf-8"))
        files = []
        for k in range(len(shares)):
            for file in shares.files(
                k,
                picture,
                colour,
                ground=options.ground,
                quality=options.share_quality,
                told=options.told,
            ):
                written(part / file.name, file.data)
                files.append(replace(file, data=b""))
        about = {
            "schema": SCHEMA,
            "picture": {"file": picture.path.name, "width": picture.width, "height": picture.height},
            "tiles": TILES if drawing is not None else None,
            "page": PAGE if script is not None else None,
            "shares": [{"file": f.name, "width": f.width, "height": f.height} for f in files],
        }
        written(part / ABOUT, _json(about))
    notices = [] if colour.notice is None else [colour.notice]
    notices += [notice for file in files for notice in file.notices]
    own = max(picture.width, picture.height)
    return ScreenMade(
        tiles=0 if drawing is None else sum(1 for _ in all_paths(tiles)),
        page=script is not None,
        shares=tuple((file.name, file.width, file.height) for file in files),
        notices=tuple(dict.fromkeys(notices)),
        left_out=(MISSING,) if options.page and script is None else (),
        remarks=tuple(
            f"the picture is {own} px long, and is not enlarged to {side} px"
            for side in sorted(set(options.share_px))
            if side > own
        ),
    )


def _page(picture: Picture, information: dict[str, Any], script: str, options: ScreenOptions) -> str:
    return zoom_page(
        options.title or picture.path.stem,
        information,
        script,
        tiles=TILES,
        full_turn=_is_full_turn(picture),
        ground="#{:02x}{:02x}{:02x}".format(*options.ground),
    )


def _pass(tile: LightTile) -> None:
    """Draw nothing."""


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
