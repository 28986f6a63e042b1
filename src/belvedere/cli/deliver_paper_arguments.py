"""What may be written after `belvedere deliver PICTURE --for paper`. Imports nothing heavy."""

from __future__ import annotations

import argparse


def add_paper(deliver: argparse.ArgumentParser) -> None:
    """Add the options of prints. Lengths without a unit are millimetres."""
    size = deliver.add_argument_group("for paper: size (90cm, 900, 35in)")
    size.add_argument("--width", metavar="LENGTH", help="of what faces the viewer, margins included")
    size.add_argument(
        "--height",
        metavar="LENGTH",
        help="likewise; one alone and the other follows, none and every pixel is printed once",
    )
    size.add_argument("--ppi", metavar="N", help="pixels per inch, 300 if not given")
    size.add_argument("--margin", metavar="LENGTH", help="bare paper around the picture, within the size")
    size.add_argument("--wrap", metavar="LENGTH", help="picture turned over a stretcher, outside the size")
    size.add_argument("--bleed", metavar="LENGTH", help="picture printed past the cut, outside the size")
    size.add_argument(
        "--beyond",
        choices=("mirror", "picture"),
        default="mirror",
        help="what wrap and bleed show: the picture's rim mirrored, so that nothing leaves the front (if not "
        "given), or the picture's own rim",
    )
    size.add_argument(
        "--roll", metavar="LENGTH", help="width of the roll; a print wider than that is cut into panels"
    )
    size.add_argument(
        "--longest",
        metavar="LENGTH",
        help="of a piece along the roll; longer panels are cut across too; any length if not given",
    )
    size.add_argument(
        "--overlap", metavar="LENGTH", help="what neighbouring panels share, 20 mm if not given; 0 for none"
    )
    size.add_argument(
        "--marks",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="trim and fold marks, and beside each of several panels which one it is; if not given, where "
        "something is to be cut",
    )
    ink = deliver.add_argument_group("for paper: colours and file")
    ink.add_argument(
        "--paper", metavar="PROFILE", help="the paper's ICC profile; if not given, colours stay as they are"
    )
    ink.add_argument(
        "--intent",
        choices=("relative", "perceptual", "saturation", "absolute"),
        default="relative",
        help="rendering intent, relative colorimetric if not given",
    )
    ink.add_argument("--no-black-point", action="store_true", help="without black point compensation")
    ink.add_argument(
        "--viewing-distance", metavar="LENGTH", help="the print is sharpened for it; 0.5m if not given"
    )
    ink.add_argument(
        "--surface",
        choices=("gloss", "matte", "canvas"),
        default="gloss",
        help="how far ink spreads, for the sharpening; gloss if not given",
    )
    ink.add_argument("--no-sharpening", action="store_true", help="as it is")
    ink.add_argument("--as", dest="kind", choices=("tiff", "pdf"), help="tiff if OUT does not say otherwise")
    ink.add_argument("--bits", type=int, choices=(8, 16), default=16, help="bits a sample, 16 if not given")
