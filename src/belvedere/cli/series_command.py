"""`belvedere stitch series.json`: pictures of one series of a sorted card, or of all."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from belvedere.errors import BelvedereError, NothingToMake, OutputFailed
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.series_frames import find_frames, find_series
from belvedere.survey.sorting.series_file import read_series
from belvedere.survey.sorting.sorted_card import Series, SortedCard

_OF_ONE = ("leave_out", "horizon", "word", "masks", "plan", "work")  # cannot be meant for several pictures


def is_series_file(sources: Sequence[str]) -> bool:
    """Whether what was given is a sorted card and no frames."""
    return len(sources) == 1 and sources[0].lower().endswith(".json")


def stitch_series(
    given: argparse.Namespace, options: StitchOptions, make: Callable[[StitchOptions], int]
) -> int:
    """Make the pictures; returns the exit code.

    Parameters
    ----------
    given : Namespace
    options : StitchOptions
        Of everything but the frames and, with --all, the picture's name.
    make : callable
        Makes a picture and tells of it; gives its exit code.

    Returns
    -------
    int
        0 if all are sure, 2 if none could be made, else 3.

    Raises
    ------
    BelvedereError
        If the series.json or the command line cannot be followed.
    """
    if not is_series_file(given.sources):
        raise BelvedereError(f"{given.sources[0]}: --series and --all need the series.json of a sorted card")
    file = Path(given.sources[0])
    card = read_series(file)
    if given.series:
        series = find_series(file, card, given.series)
        return make(_options_of(options, file, card, series, options.out, given.quiet))
    names = ", ".join(series.name for series in card.series)
    if not card.series:
        raise NothingToMake(f"{file}: holds no series")
    if not given.all:
        raise BelvedereError(f"{file}: say which series with --series NAME, or --all. There are {names}")
    for name in _OF_ONE:
        if getattr(given, name):
            option = "--" + name.replace("_", "-")
            raise BelvedereError(f"{option}: cannot be meant for all series; give it with --series NAME")
    folder = _folder(options.out)
    codes = []
    for k, series in enumerate(card.series):
        if not given.quiet:
            print(f"{'' if k == 0 else chr(10)}{series.name}", flush=True)
        try:
            out = folder / f"{series.name}{'.dng' if options.kind == 'linear-dng' else '.tif'}"
            codes.append(make(_options_of(options, file, card, series, out, given.quiet)))
        except BelvedereError as error:
            print(f"belvedere: {series.name}: {' '.join(str(error).split())}", file=sys.stderr, flush=True)
            codes.append(2)
    return 0 if not any(codes) else 2 if all(code == 2 for code in codes) else 3


def _options_of(
    options: StitchOptions, file: Path, card: SortedCard, series: Series, out: Path, quiet: bool
) -> StitchOptions:
    frames = find_frames(file, card, series, raw_first=options.kind != "picture")
    for notice in () if quiet else frames.notices:
        print(f"{notice}.", file=sys.stderr, flush=True)
    return replace(options, sources=frames.exposures, poses=frames.poses, out=out, in_order_given=True)


def _folder(out: Path) -> Path:
    """The folder for all pictures; made if the folder above it is there."""
    if out.is_file() or (out.suffix.lower() in (".tif", ".tiff", ".dng") and not out.is_dir()):
        raise OutputFailed(f"{out}: with --all, give a folder: every series becomes a picture in it.")
    try:
        out.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputFailed(
            f"{out}: cannot be made ({error.strerror or error}). Choose another folder."
        ) from error
    return out
