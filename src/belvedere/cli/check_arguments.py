"""What may be written after `belvedere check`."""

from __future__ import annotations

import argparse
from typing import Any

_EXIT_CODES = """exit codes:
  0    complete
  3    shoot again what is named
  2    unusable: no two frames overlap, or none can be read
  130  stopped by Ctrl-C before there was a verdict"""


def add_check(commands: argparse._SubParsersAction[Any]) -> argparse.ArgumentParser:
    """The parser of `belvedere check`."""
    check: argparse.ArgumentParser = commands.add_parser(
        "check",
        help="say whether a set is complete, before the tripod is folded",
        description="Say whether a set of frames is complete, or what to shoot again and where. Looked for\n"
        "are overlaps and missing frames, settings, exposure, sharpness and focus, tilt and level,\n"
        "the entrance pupil, things that move. The frames are only ever read.",
        epilog="examples:\n"
        "  belvedere check /media/card/DCIM/100BELVE\n"
        "  belvedere check a.jpg b.jpg c.jpg\n"
        "  belvedere check series.json --series 02-50mm\n"
        "  belvedere check tethered --watch\n"
        "  belvedere check card/morning --plan plan.json\n"
        "  belvedere check card/morning --json\n\n"
        "Frames are numbered from 1 in the order shot. docs/checking.md tells what is looked for.\n\n"
        + _EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument(
        "sources",
        nargs="+",
        metavar="FOLDER_OR_SERIES",
        help="a folder of frames, frames, or the series.json of a sorted card",
    )
    check.add_argument("--series", metavar="NAME", help="which series of the series.json")
    check.add_argument(
        "--watch",
        action="store_true",
        help="follow a folder as frames arrive, and tell anew when something changes; Ctrl-C ends it with "
        "the last verdict and its exit code",
    )
    check.add_argument(
        "--json",
        action="store_true",
        help="the verdict for machines on standard output; with --watch one line for every change",
    )
    check.add_argument(
        "--plan",
        metavar="PLAN",
        help="the plan.json by which the set was shot: stops not shot are named with their number and the "
        "head's angle or click, and its overlap is wanted; frames besides are fine",
    )
    check.add_argument(
        "--overlap",
        type=float,
        metavar="PERCENT",
        help="what neighbours should share; the plan's, or 33, if not given",
    )
    check.add_argument(
        "--ground",
        type=float,
        metavar="METRES",
        help="distance from the lens to the nearest ground in the frames, for the entrance pupil; as from a "
        "tripod 1.5 m high if not given",
    )
    machine = check.add_argument_group("the machine")
    machine.add_argument(
        "--memory", metavar="SIZE", help="ceiling, like 1GiB; a quarter of the machine's, at most 4GiB"
    )
    machine.add_argument("--workers", type=int, metavar="N", help="threads; one a processor if not given")
    machine.add_argument(
        "--work",
        metavar="FOLDER",
        help="where frames are decoded meanwhile, about 120 MB for one of 24 megapixels; removed afterwards; "
        "the system's folder for temporary files if not given",
    )
    return check
