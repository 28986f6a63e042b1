"""What may be written after `belvedere plan`."""

from __future__ import annotations

import argparse
import re
from typing import Any

_EXAMPLES = """examples:
  which lens for a view 120 degrees wide and 40 high?
    belvedere plan --view 120x40
  one row with a 50 mm lens
    belvedere plan --view 120 --lens 50
  between two bearings, with your own camera, as one page to print
    belvedere plan --bearings 210 330 --elevations -10 25 --lens 70 --like FRAME.jpg --sheet plan.pdf
  what a 24 mm lens sees across, in the detail of a 150 mm lens
    belvedere plan --as-with 24 --lens 150
  which lens for a print of 3 x 1 m, looked at from 1 m?
    belvedere plan --print 3x1m --viewing-distance 1 --view 120x40
  with a head that clicks, at sunrise
    belvedere plan --view 120x40 --bearing 110 --lens 50 --clicks 15 7.5
                   --place 46 8 1800 --when "2026-10-03 07:10+02:00"

Numbers may carry their unit: 50mm, 84deg, 3x1m, 60x20in, 36km/h. docs/planning.md tells how it is computed.

exit codes:
  0    planned
  2    nothing could be planned; the nearest that could is said"""


def add_plan(commands: argparse._SubParsersAction[Any]) -> argparse.ArgumentParser:
    """The parser of `belvedere plan`."""
    plan: argparse.ArgumentParser = commands.add_parser(
        "plan",
        usage="belvedere plan [what to show] [--lens MM] [options]",
        help="plan a shoot: which lens, how many frames, where to stop the head, which light",
        description="Plan a shoot, from the view or from the print: lens, frames, stops of the head, the\n"
        "picture that comes of it, and the light. Without --lens, usual lenses side by side.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    # "-33.9," and "-100x40" are values too, not options; argparse itself sees that of plain numbers only.
    plan._negative_number_matcher = re.compile(r"^-[\d.]")
    _view(plan)
    _camera(plan)
    _grid(plan)
    _tripod(plan)
    _light(plan)
    _written(plan)
    return plan


def _view(plan: argparse.ArgumentParser) -> None:
    view = plan.add_argument_group("what to show")
    view.add_argument(
        "--view", metavar="WxH", help="degrees across and up and down; the first alone means one row"
    )
    view.add_argument(
        "--bearings",
        nargs=2,
        metavar=("LEFT", "RIGHT"),
        help="compass bearings of the edges, clockwise, true north; 0 360 is all round",
    )
    view.add_argument(
        "--elevations",
        nargs=2,
        metavar=("LOW", "HIGH"),
        help="degrees above the level of the lower and upper edge",
    )
    view.add_argument("--as-with", metavar="MM", help="what a lens of MM sees, the camera lying")
    view.add_argument("--tilt", metavar="DEG", help="of the view's middle above the level; 0 if not given")
    view.add_argument("--bearing", metavar="DEG", help="compass bearing of the view's middle, true north")
    view.add_argument("--print", metavar="WxH", help="size of the print, cm if no unit is given")
    view.add_argument("--ppi", metavar="N", help="pixels per inch of the print; 300 if not given")
    view.add_argument(
        "--viewing-distance",
        metavar="M",
        help="metres from which the print is looked at: with --print and without --ppi it sets the pixels "
        "per inch, 1 minute of arc each; 1 if not given",
    )


def _camera(plan: argparse.ArgumentParser) -> None:
    camera = plan.add_argument_group("camera and lens")
    camera.add_argument(
        "--lens", metavar="MM", help="focal length, or its angle along the sensor's long side, like 84deg"
    )
    camera.add_argument("--compare", nargs="+", metavar="MM", help="lenses side by side for one view")
    camera.add_argument("--like", metavar="FRAME", help="sensor and pixels as this picture's own data tell")
    camera.add_argument("--camera", metavar="NAME", help="sensor by the camera's name; needs --pixels")
    camera.add_argument("--sensor", metavar="WxH", help="sensor, mm; 36x24 if not given")
    camera.add_argument("--pixels", metavar="WxH", help="pixels of a frame, or like 24MP; 45MP if not given")
    camera.add_argument("--landscape", action="store_true", help="camera lying; upright if not given")


def _grid(plan: argparse.ArgumentParser) -> None:
    grid = plan.add_argument_group("head and grid")
    grid.add_argument(
        "--overlap", metavar="PERCENT", help="least that neighbours share; a third if not given"
    )
    grid.add_argument(
        "--clicks", nargs="+", metavar="DEG", help="degrees a click of the head: turning, and tilting"
    )
    grid.add_argument(
        "--order",
        choices=("serpentine", "rows"),
        default="serpentine",
        help="every other row backwards, or all from left to right; serpentine if not given",
    )
    grid.add_argument("--begin", choices=("top", "bottom"), default="top", help="with which row; top")
    grid.add_argument("--extra", action="store_true", help="a column and a row more, for safety")


def _tripod(plan: argparse.ArgumentParser) -> None:
    tripod = plan.add_argument_group("sharpness and tripod")
    tripod.add_argument("--f-number", metavar="N", help="8 if not given")
    tripod.add_argument("--focus", metavar="M", help="metres; the hyperfocal distance if not given")
    tripod.add_argument("--nearest", metavar="M", help="metres to the nearest thing in the frames")
    tripod.add_argument(
        "--rail-error", metavar="MM", help="how exactly the entrance pupil is set over the axis; 5"
    )


def _light(plan: argparse.ArgumentParser) -> None:
    light = plan.add_argument_group("time and light")
    light.add_argument("--seconds", metavar="S", help="a frame takes, turning and waiting included; 8")
    light.add_argument("--exposures", metavar="N", help="at each stop, for a bracket; 1")
    light.add_argument(
        "--place",
        nargs="+",
        metavar=("LAT", "LON"),
        help="degrees, north and east positive, or with N, S, E, W; and the height in metres",
    )
    light.add_argument(
        "--when", metavar="TIME", help='of the first frame, "2026-10-03 07:10", or the day alone'
    )
    light.add_argument(
        "--zone", metavar="NAME", help="the clock, by its name in the time zone database, or like UTC+2"
    )
    light.add_argument("--cloud-speed", metavar="M/S", help="of clouds, waves or boats, m/s or like 36km/h")
    light.add_argument("--cloud-distance", metavar="M", help="metres to them; 3000 if not given")


def _written(plan: argparse.ArgumentParser) -> None:
    written = plan.add_argument_group("what is written")
    written.add_argument("--out", metavar="PLAN.json", help="the plan for `check --plan`")
    written.add_argument("--sheet", metavar="SHEET.pdf", help="one page for the field, to print")
    written.add_argument("--paper", choices=("A4", "Letter"), default="A4", help="of the sheet; A4")
    written.add_argument("--title", metavar="TEXT", help="at the head of the sheet")
    written.add_argument(
        "--units", choices=("metric", "imperial"), default="metric", help="of print sizes; metric"
    )
    written.add_argument(
        "--replace", action="store_true", help="replace files of these names that Belvedere did not make"
    )
    written.add_argument("--quiet", action="store_true", help="say nothing but errors")
