"""What may be written after `belvedere deliver PICTURE --for screen`. Imports nothing heavy."""

from __future__ import annotations

import argparse


def add_screen(deliver: argparse.ArgumentParser) -> None:
    """Add the options of pictures for the screen."""
    screen = deliver.add_argument_group("for the screen")
    screen.add_argument(
        "--share",
        type=int,
        nargs="+",
        action="extend",
        metavar="PX",
        help="long sides of the pictures to be shared, 2048 if not given",
    )
    screen.add_argument(
        "--share-as",
        nargs="+",
        action="extend",
        choices=("jpeg", "avif", "jxl"),
        metavar="FORMAT",
        help="jpeg (if not given), avif or jxl (JPEG XL), or several; an AVIF has up to 9 megapixels",
    )
    screen.add_argument(
        "--no-page", action="store_true", help="only the pictures to be shared, no tiles and no page"
    )
    place = screen.add_mutually_exclusive_group()
    place.add_argument(
        "--without-place",
        action="store_true",
        help="leave GPS and place names out of the shared pictures' metadata; titles and descriptions stay "
        "as they are",
    )
    place.add_argument(
        "--without-metadata",
        action="store_true",
        help="leave all metadata out of the shared pictures but the profile",
    )
    screen.add_argument(
        "--address",
        metavar="URL",
        help="where the folder will be on the web: the tiles' info.json has to name it; the page needs none",
    )
    screen.add_argument("--title", metavar="TEXT", help="of the page; the picture's name if not given")
    screen.add_argument(
        "--ground",
        metavar="COLOUR",
        help="what shows where nothing was photographed, like white or 16181a, which it is if not given",
    )
    screen.add_argument("--tile", type=int, metavar="PX", help="side of a tile, 512 if not given")
    screen.add_argument("--tile-quality", type=int, metavar="N", help="JPEG quality of tiles, 85")
    screen.add_argument(
        "--share-quality",
        type=int,
        metavar="N",
        help="JPEG quality of the pictures to be shared, 90; the other formats take it on their own scales",
    )
