"""What may be written on the command line. Imports nothing heavy: help must come at once."""

from __future__ import annotations

import argparse
from typing import NoReturn

import belvedere
from belvedere.cli.check_arguments import add_check
from belvedere.cli.deliver_arguments import add_deliver, add_verify
from belvedere.cli.plan_arguments import add_plan
from belvedere.cli.series_arguments import add_series_choice, add_sort

PROJECTIONS = ("equirectangular", "cylindrical", "rectilinear", "mercator", "stereographic", "pannini")
"""The same as `geometry.plate.PROJECTIONS`, which would bring NumPy."""

LINEAR_KINDS = ("linear-dng", "linear-tiff")
"""The kinds of `pipeline.options.Kind` beside the picture to look at."""

DEMO_SETS = (
    "row",
    "rows-3x5",
    "full-turn",
    "mixed-orientations",
    "gap",
    "clipped-sky",
    "cloud-drift",
    "walkers",
    "contrast-curve",
    "exposure-steps",
    "stray",
)
"""Sets of the demo that are shown; a test holds them against `demo.sets.SETS`."""

_EXIT_CODES = """exit codes:
  0    all frames used, none in doubt
  3    done, but something is left out or in doubt, and named
  2    nothing could be made
  130  stopped by Ctrl-C; the same command goes on from there"""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}. See {self.prog} --help\n")


def parser() -> argparse.ArgumentParser:
    """The parser of `belvedere`."""
    top = _Parser(
        prog="belvedere",
        description="One very large, very clean picture from a camera turned on a tripod.",
        epilog="examples:\n  belvedere plan --view 120x40 --lens 50\n"
        "  belvedere check /media/card/DCIM/100BELVE\n"
        "  belvedere sort /media/card --into autumn\n"
        "  belvedere stitch series.json --all --out pictures\n"
        "  belvedere stitch card/morning --out morning.tif\n"
        "  belvedere deliver morning.tif --for keep\n"
        "  belvedere verify morning.keep.tif\n\n" + _EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"belvedere {belvedere.__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    add_plan(commands)
    _add_talk(add_check(commands))
    _add_talk(add_sort(commands))
    _add_stitch(commands)
    _add_talk(add_deliver(commands))
    _add_talk(add_verify(commands))
    _add_demo(commands)
    return top


def _add_stitch(commands: argparse._SubParsersAction[_Parser]) -> None:
    stitch = commands.add_parser(
        "stitch",
        help="make one picture of overlapping frames",
        description="Make one picture of overlapping frames: a TIFF with its report beside it. "
        "The frames are only ever read.",
        epilog="examples:\n"
        "  belvedere stitch card/morning --out morning.tif\n"
        "  belvedere stitch card/morning --out morning.tif --preview\n"
        "  belvedere stitch a.jpg b.jpg c.jpg --out abc.tif --projection cylindrical --memory 1GiB\n"
        "  belvedere stitch card/raw --as linear-dng --out morning.dng\n"
        "  belvedere stitch series.json --series 02-50mm --out harbour.tif\n"
        "  belvedere stitch series.json --all --out pictures\n\n" + _EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    stitch.add_argument(
        "sources", nargs="+", metavar="FRAMES_OR_FOLDER", help="pictures or raw files, or folders of them"
    )
    stitch.add_argument(
        "--out",
        required=True,
        metavar="OUT.tif",
        help="the picture, OUT.dng with --as linear-dng; OUT.report.json and the work folder OUT.work lie "
        "beside it",
    )
    add_series_choice(stitch)
    stitch.add_argument(
        "--preview",
        action="store_true",
        help="make only OUT.preview.jpg, a small copy of the whole as the picture will be; the picture's own "
        "run then goes on from there",
    )
    look = stitch.add_argument_group("how it looks")
    look.add_argument(
        "--projection",
        choices=PROJECTIONS,
        metavar="NAME",
        help="one of " + ", ".join(PROJECTIONS) + "; chosen by the field of view if not given",
    )
    look.add_argument(
        "--centre-yaw", type=float, metavar="DEG", help="direction in the middle of the picture, degrees"
    )
    look.add_argument(
        "--resolution",
        metavar="R",
        help="px per radian at the centre, or a share of the frames' own, like 50%%; the frames' own if not "
        "given",
    )
    look.add_argument(
        "--as",
        dest="kind",
        choices=LINEAR_KINDS,
        metavar="KIND",
        help="linear-dng or linear-tiff: of raw files, the light itself in the camera's own colour, white "
        "balance left to your raw software; OUT ends in .dng or .tif",
    )
    look.add_argument(
        "--depth",
        type=int,
        choices=(8, 16, 32),
        help="bits a sample, 16 if not given; 32, floating point, with --as linear-tiff",
    )
    look.add_argument(
        "--ppi", type=float, default=300.0, metavar="N", help="print resolution noted in the file, 300"
    )
    word = stitch.add_argument_group(
        "what you know better",
        "May also stand in OUT.word.json beside OUT, with tie points set by hand, frames to keep,\n"
        "their order and plumb lines: docs/word.md. What is given here is added to it, and overrules it.",
    )
    word.add_argument("--word", metavar="FILE", help="read this file and not OUT.word.json")
    word.add_argument(
        "--leave-out", nargs="+", action="extend", default=[], metavar="NAME", help="frames not to use"
    )
    word.add_argument(
        "--focal-35mm", type=float, metavar="MM", help="focal length as 35-mm equivalent, above the tags"
    )
    word.add_argument(
        "--lens-start",
        action="store_true",
        help="let distortion and vignetting start from what a list of measured lenses says, found by the "
        "lens's name; helps where frames overlap little, and what the frames show overrules it",
    )
    word.add_argument(
        "--horizon",
        nargs="+",
        action="extend",
        default=[],
        metavar="NAME:X,Y",
        help="two or more points of the horizon, px of frames as displayed, above other evidence",
    )
    word.add_argument(
        "--masks",
        metavar="FOLDER",
        help="PNG masks named like the frames: 0 never use, 255 prefer",
    )
    word.add_argument(
        "--plan",
        metavar="PLAN.json",
        help="the plan it was shot by, of `belvedere plan --out`: its stops place frames of plain sky",
    )
    machine = stitch.add_argument_group("the machine")
    machine.add_argument(
        "--memory", metavar="SIZE", help="ceiling, like 1GiB; a quarter of the machine's, at most 4GiB"
    )
    machine.add_argument("--workers", type=int, metavar="N", help="threads; one a processor if not given")
    machine.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="render on the workers of a Dask cluster that share the work folder, like tcp://192.0.2.7:8786",
    )
    machine.add_argument(
        "--tile", type=int, metavar="N", help="side of the blocks rendered at once, px, a multiple of 512"
    )
    machine.add_argument("--work", metavar="FOLDER", help="work folder; OUT.work beside OUT if not given")
    machine.add_argument(
        "--keep-frames",
        action="store_true",
        help="keep the decoded frames in the work folder, for other versions of the picture; they are large",
    )
    machine.add_argument(
        "--replace", action="store_true", help="replace a file of OUT's name that Belvedere did not make"
    )
    _add_talk(stitch)


def _add_demo(commands: argparse._SubParsersAction[_Parser]) -> None:
    demo = commands.add_parser(
        "demo",
        help="shoot an invented place with a simulated camera, and stitch it",
        description="Shoot a set of frames of an invented place with a simulated camera into FOLDER, and "
        "make one picture of it there.",
        epilog="examples:\n  belvedere demo out/demo\n"
        "  belvedere demo out/demo --set full-turn --megapixels 2",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    demo.add_argument("folder", metavar="FOLDER", help="made if it is not there")
    demo.add_argument(
        "--set", default="row", choices=DEMO_SETS, metavar="NAME", help="one of " + ", ".join(DEMO_SETS)
    )
    demo.add_argument(
        "--megapixels", type=float, default=24.0, metavar="MP", help="size of a frame, 24 if not given"
    )
    demo.add_argument("--seed", type=int, default=0, metavar="N", help="another place, another scatter")
    demo.add_argument("--memory", metavar="SIZE", help="ceiling, like 1GiB")
    demo.add_argument("--workers", type=int, metavar="N", help="threads")
    _add_talk(demo)


def _add_talk(command: argparse.ArgumentParser) -> None:
    talk = command.add_mutually_exclusive_group()
    talk.add_argument("--quiet", action="store_true", help="say nothing but errors")
    talk.add_argument(
        "--progress", action="store_true", help="say how far it is even where the output is no terminal"
    )
