"""`belvedere stitch`: arguments to options, outcome to words."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import Literal, get_args

from belvedere.align.options import AlignOptions
from belvedere.cli.series_command import is_series_file, stitch_series
from belvedere.compose.layout import LayoutOptions
from belvedere.errors import BelvedereError
from belvedere.geometry.plate import Projection
from belvedere.pipeline.budget import parse_bytes
from belvedere.pipeline.options import Kind, StitchOptions
from belvedere.pipeline.outcome import Outcome
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.stitch import stitch
from belvedere.pipeline.summary import summary
from belvedere.plan.plan_file import read_plan

_TIFF_TILE = 512


def stitch_command(given: argparse.Namespace) -> int:
    """Make a picture, or one of every series asked for; returns the exit code."""
    if given.series or given.all or is_series_file(given.sources):
        return stitch_series(
            given,
            options_from(given),
            lambda options: make_and_tell(options, quiet=given.quiet, progress=given.progress),
        )
    return make_and_tell(options_from(given), quiet=given.quiet, progress=given.progress)


def make_and_tell(options: StitchOptions, *, quiet: bool, progress: bool) -> int:
    """Stitch and print the summary; returns the exit code."""
    line = Progress(sys.stderr, False if quiet else (True if progress else None))
    try:
        outcome = stitch(options, line)
    finally:
        line.close()
    if not quiet:
        print(_told(outcome), flush=True)
    return outcome.exit_code


def _told(outcome: Outcome) -> str:
    text = summary(outcome.report, outcome.made)
    if outcome.made_before:
        text = "Nothing to do: made before from the same frames, and unchanged.\n" + text
    return text


def options_from(given: argparse.Namespace) -> StitchOptions:
    """The options a command line asks for.

    Raises
    ------
    BelvedereError
        If a value is none that can be used; names the option.
    """
    per_radian, share = _resolution(given.resolution)
    kind, bits = _kind_and_bits(given.kind, given.depth)
    if given.tile is not None and (given.tile <= 0 or given.tile % _TIFF_TILE):
        raise BelvedereError(f"--tile {given.tile}: needs a multiple of {_TIFF_TILE}")
    if given.workers is not None and given.workers < 1:
        raise BelvedereError(f"--workers {given.workers}: needs at least 1")
    for name, value in (("--ppi", given.ppi), ("--focal-35mm", given.focal_35mm)):
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise BelvedereError(f"{name} {value}: needs a number above 0")
    if given.centre_yaw is not None and not math.isfinite(given.centre_yaw):
        raise BelvedereError(f"--centre-yaw {given.centre_yaw}: needs a number of degrees")
    return StitchOptions(
        sources=tuple(Path(source) for source in given.sources),
        out=Path(given.out),
        preview=given.preview,
        replace=given.replace,
        keep_frames=given.keep_frames,
        work=Path(given.work) if given.work else None,
        word=Path(given.word) if given.word else None,
        masks=Path(given.masks) if given.masks else None,
        memory_bytes=memory_from(given.memory),
        workers=given.workers,
        scheduler=given.scheduler,
        block=given.tile,
        kind=kind,
        bits=bits,
        float_brackets=given.depth is None,
        pixels_per_inch=given.ppi,
        resolution_share=share,
        lens_start=given.lens_start,
        align=AlignOptions(
            focal_35mm=given.focal_35mm,
            leave_out=tuple(sorted(set(given.leave_out))),
            horizon_points=tuple(_horizon_point(text) for text in given.horizon),
            plan=read_plan(Path(given.plan)) if given.plan else None,
        ),
        layout=LayoutOptions(
            projection=_projection(given.projection),
            centre_yaw=None if given.centre_yaw is None else math.radians(given.centre_yaw),
            pixels_per_radian=per_radian,
        ),
    )


def _kind_and_bits(kind: str | None, depth: int | None) -> tuple[Kind, Literal[8, 16, 32]]:
    """What is made, and its bits a sample."""
    if depth == 32 and kind != "linear-tiff":
        raise BelvedereError("--depth 32: floating point is made with --as linear-tiff alone")
    if depth == 8 and kind is not None:
        raise BelvedereError(f"--depth 8: too coarse for linear light; leave it out with --as {kind}")
    made: Kind = "linear-dng" if kind == "linear-dng" else "linear-tiff" if kind else "picture"
    return made, 8 if depth == 8 else 32 if depth == 32 else 16


def _horizon_point(text: str) -> tuple[str, float, float]:
    """A point of the horizon: "NAME:X,Y"."""
    name, _, place = text.rpartition(":")
    try:
        x, y = (float(part) for part in place.split(","))
    except ValueError as error:
        raise BelvedereError(
            f"{text}: no point of the horizon; write a frame's name and px, like frame7.jpg:1800,2955"
        ) from error
    if not name or not math.isfinite(x + y):
        raise BelvedereError(f"{text}: no point of the horizon; the frame's name is missing, or a number")
    return name, x, y


def memory_from(text: str | None) -> int | None:
    """A ceiling in bytes, None where none is given; raises BelvedereError."""
    if text is None:
        return None
    try:
        return parse_bytes(text)
    except ValueError as error:
        raise BelvedereError(f"--memory: {error}") from error


def _projection(name: str | None) -> Projection | None:
    for known in get_args(Projection):
        if known == name:
            found: Projection = known
            return found
    return None


def _resolution(text: str | None) -> tuple[float | None, float | None]:
    """(px per radian, None) or (None, share of the frames' own)."""
    if text is None:
        return None, None
    number = text.strip().removesuffix("%")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value > 0.0):
        raise BelvedereError(f"--resolution {text}: needs px per radian, like 8000, or a share, like 50%")
    return (None, value / 100.0) if text.strip().endswith("%") else (value, None)
