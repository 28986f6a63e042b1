"""What may be written after `belvedere sort`, and of a sorted card after `belvedere stitch`."""

from __future__ import annotations

import argparse
from typing import Any

_EXIT_CODES = """exit codes:
  0    every file read, every series sure, every copy verified
  3    done, but something cannot be read, is in doubt or is not copied, and named
  2    no series, or nothing could be written
  130  stopped by Ctrl-C; the same command starts again, copies go on from there"""


def add_sort(commands: argparse._SubParsersAction[Any]) -> argparse.ArgumentParser:
    """The parser of `belvedere sort`."""
    sort: argparse.ArgumentParser = commands.add_parser(
        "sort",
        help="sort a camera's card into series, each with its rows",
        description="Sort a camera's card into series, each with its rows; find marker frames and strays. "
        "The card is only ever read.",
        epilog="examples:\n"
        "  belvedere sort /media/card\n"
        "  belvedere sort /media/card --into autumn\n"
        "  belvedere sort copies/DCIM --out autumn.json\n\n"
        "If something is sorted wrongly, say so in series.word.json beside series.json, and sort again:\n"
        "docs/sorting.md tells how.\n\n" + _EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    sort.add_argument("card", metavar="CARD", help="a card, or a folder; all folders in it are searched")
    sort.add_argument(
        "--out",
        default="series.json",
        metavar="SERIES.json",
        help="what was found; its contact sheet SERIES.html lies beside it; series.json in the current "
        "folder if not given",
    )
    sort.add_argument(
        "--into",
        metavar="FOLDER",
        help="copy every series into a folder of its own in FOLDER: each file verified, none written over",
    )
    sort.add_argument(
        "--replace",
        action="store_true",
        help="replace the sorting of another card that has SERIES.json's name",
    )
    sort.add_argument("--workers", type=int, metavar="N", help="threads; one a processor if not given")
    return sort


def add_series_choice(stitch: argparse.ArgumentParser) -> None:
    """What `belvedere stitch` may be told of a sorted card."""
    group = stitch.add_argument_group(
        "of a sorted card",
        "FRAMES_OR_FOLDER is then the series.json that belvedere sort made; markers and strays stay out.",
    )
    which = group.add_mutually_exclusive_group()
    which.add_argument("--series", metavar="NAME", help="the series to make a picture of")
    which.add_argument(
        "--all",
        action="store_true",
        help="a picture of every series: OUT is a folder, and each is OUT/NAME.tif (or .dng)",
    )
