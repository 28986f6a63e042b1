"""What may be written after `belvedere deliver` and `belvedere verify`. Imports nothing heavy."""

from __future__ import annotations

import argparse
from typing import Any

from belvedere.cli.deliver_paper_arguments import add_paper
from belvedere.cli.deliver_screen_arguments import add_screen

_DELIVER_EXIT = """exit codes:
  0    done
  3    done, but something could not be known or kept, and named
  2    nothing could be made
  130  stopped by Ctrl-C; the same command does it anew"""

_VERIFY_EXIT = """exit codes:
  0    everything is as it was
  3    something has changed or is not there, and named
  2    there is no record to compare with"""


def add_deliver(commands: Any) -> argparse.ArgumentParser:
    """Add `deliver`; returns its parser."""
    deliver: argparse.ArgumentParser = commands.add_parser(
        "deliver",
        help="make files to keep or to show of a finished picture",
        description="Make of a finished picture what it is for. The picture itself is only ever read.",
        epilog="examples:\n"
        "  belvedere deliver morning.tif --for keep\n"
        "  belvedere deliver morning.tif --for keep --out archive/morning.tif\n"
        "  belvedere deliver morning.tif --for paper --width 120cm --paper cotton.icc --wrap 4cm\n"
        "  belvedere deliver morning.tif --for paper --width 3m --roll 1118 --as pdf\n"
        "  belvedere deliver morning.tif --for paper --width 4m --roll 1118 --longest 3m\n"
        "  belvedere deliver morning.tif --for screen --share 2048 4096 --share-as jpeg avif\n\n"
        + _DELIVER_EXIT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    deliver.add_argument("picture", metavar="PICTURE", help="a TIFF of any size, or a PNG or JPEG")
    deliver.add_argument(
        "--for",
        dest="purpose",
        required=True,
        choices=("keep", "paper", "screen"),
        metavar="PURPOSE",
        help="keep: a tiled TIFF with smaller copies of itself, its report, and a manifest of what it was "
        "made of; paper: files for the printer, at the print's size and in its paper's colours; "
        "screen: a folder with static tiles, a page to zoom into them, and smaller pictures to share",
    )
    deliver.add_argument(
        "--out",
        metavar="OUT",
        help="what to write; if not given, beside PICTURE: PICTURE.keep.tif, PICTURE.paper.tif, or the "
        "folder PICTURE.screen",
    )
    deliver.add_argument(
        "--replace", action="store_true", help="replace a file of OUT's name that Belvedere did not make"
    )
    deliver.add_argument("--workers", type=int, metavar="N", help="threads; one a processor if not given")
    add_paper(deliver)
    add_screen(deliver)
    return deliver


def asked_of_another(given: argparse.Namespace) -> str | None:
    """In words, an option that was given and is of another purpose than the one asked for; or None."""
    for purpose, add in (("paper", add_paper), ("screen", add_screen)):
        if purpose == given.purpose:
            continue
        alone = argparse.ArgumentParser(add_help=False)
        add(alone)
        for name, usual in vars(alone.parse_args([])).items():
            if getattr(given, name) != usual:
                option = {"kind": "as"}.get(name, name.replace("_", "-"))
                return f"--{option}: goes with --for {purpose}, not with --for {given.purpose}; leave it out"
    return None


def add_verify(commands: Any) -> argparse.ArgumentParser:
    """Add `verify`; returns its parser."""
    verify: argparse.ArgumentParser = commands.add_parser(
        "verify",
        help="tell whether a picture and its source files are still what they were",
        description="Read a picture and the files it was made of again, and tell whether each is still what "
        "was recorded when it was made.",
        epilog="examples:\n"
        "  belvedere verify morning.keep.tif\n"
        "  belvedere verify morning.keep.manifest.json --sources /media/card\n\n" + _VERIFY_EXIT,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    verify.add_argument(
        "file", metavar="FILE_OR_MANIFEST", help="a kept or a stitched picture, or its manifest or report"
    )
    verify.add_argument(
        "--sources", metavar="FOLDER", help="where the set's files lie, in whatever folders below it"
    )
    return verify
