"""`belvedere deliver PICTURE --for screen`: arguments to a call, what was made to words."""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

from belvedere.deliver.finished_folder import check_folder
from belvedere.deliver.picture import open_picture
from belvedere.deliver.screen_folder import (
    PAGE,
    TILES,
    TRY_AT,
    ScreenMade,
    ScreenOptions,
    made_for_screen,
    write_for_screen,
)
from belvedere.errors import BelvedereError
from belvedere.pipeline.processors import processors
from belvedere.pipeline.progress import Progress

_NAMED = {"white": (255, 255, 255), "grey": (119, 119, 119), "black": (0, 0, 0)}


def deliver_screen(given: argparse.Namespace) -> int:
    """Write the folder for the screen; returns the exit code."""
    path = Path(given.picture)
    out = Path(given.out) if given.out else path.with_name(f"{path.stem}.screen")
    options = screen_options(given)
    check_folder(out, made_for_screen)
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    try:
        with open_picture(path) as picture:
            line.begin("screen")
            made = write_for_screen(
                picture, out, options, workers=given.workers or processors(), progress=line.advance
            )
            line.finish()
    finally:
        line.close()
    for notice in (*made.notices, *made.left_out):
        print(f"belvedere: {path.name}: {notice}", file=sys.stderr, flush=True)
    if not given.quiet:
        print(_made(out, made, options), flush=True)
    return 3 if made.notices or made.left_out else 0


def screen_options(given: argparse.Namespace) -> ScreenOptions:
    """The options a command line asks for.

    Raises
    ------
    BelvedereError
        If a value is none that can be used.
    """
    usual = ScreenOptions()
    return ScreenOptions(
        page=not given.no_page,
        share_px=tuple(given.share or usual.share_px),
        share_as=tuple(given.share_as or usual.share_as),
        tile=usual.tile if given.tile is None else given.tile,
        tile_quality=usual.tile_quality if given.tile_quality is None else given.tile_quality,
        share_quality=usual.share_quality if given.share_quality is None else given.share_quality,
        told="nothing" if given.without_metadata else "no place" if given.without_place else "all",
        address=given.address,
        title=given.title,
        ground=usual.ground if given.ground is None else _colour(given.ground),
    )


def _colour(text: str) -> tuple[int, int, int]:
    named = _NAMED.get(text.lower())
    if named is not None:
        return named
    if not re.fullmatch(r"#?[0-9a-fA-F]{6}", text):
        raise BelvedereError(
            f"--ground {text}: give {', '.join(_NAMED)}, or six hexadecimal digits like 16181a"
        )
    code = int(text.lstrip("#"), 16)
    return code >> 16, code >> 8 & 255, code & 255


def _made(out: Path, made: ScreenMade, options: ScreenOptions) -> str:
    parts = []
    if made.page:
        parts.append(PAGE)
    if made.tiles:
        parts.append(f"{made.tiles:,} files of tiles")
    parts += [f"{name} ({width} x {height} px)" for name, width, height in made.shares]
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    words = [f"Written: {out}, with {listed}"]
    words += [f"{remark[0].upper()}{remark[1:]}." for remark in made.remarks]
    if made.page:
        words.append(f"Open {out / PAGE}, or put the folder on any web server.")
    if made.tiles and options.address is None:
        words.append(
            f"For other readers of the tiles, {TILES}/info.json names {TRY_AT} as their address, for trying "
            "out; give --address for the real one."
        )
    return "\n".join(words)
