"""`belvedere check`: arguments to options, the verdict to words."""

from __future__ import annotations

import argparse
import math
import shutil
import sys
from dataclasses import replace
from pathlib import Path

from belvedere.cli.series_command import is_series_file
from belvedere.cli.stitch_command import memory_from
from belvedere.cli.watch_screen import WatchScreen
from belvedere.errors import BelvedereError, NothingToMake
from belvedere.pipeline.check import CheckOptions, check
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.series_frames import find_frames, find_series, first_exposures
from belvedere.pipeline.watch import watch
from belvedere.plan.plan_file import read_plan
from belvedere.survey.checking.check_overlap import WANTED_OVERLAP
from belvedere.survey.checking.examine import ExamineOptions
from belvedere.survey.checking.verdict import Verdict
from belvedere.survey.checking.verdict_json import check_bytes
from belvedere.survey.checking.verdict_words import verdict_words
from belvedere.survey.sorting.series_file import read_series

WIDTH = 100  # columns where the output is no terminal


def check_command(given: argparse.Namespace) -> int:
    """Check a set, once or as it grows; returns the exit code."""
    options = options_from(given)
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    if given.watch:
        return _follow(given, options, line)
    try:
        found = check(options, line)
    finally:
        line.close()
    _tell(found, given)
    return found.exit_code


def _follow(given: argparse.Namespace, options: CheckOptions, line: Progress) -> int:
    if len(options.sources) != 1 or not options.sources[0].is_dir():
        raise BelvedereError(f"{options.sources[0]}: --watch follows one folder")
    screen = WatchScreen(sys.stdout, sys.stderr, json=given.json, quiet=given.quiet)
    try:
        last = watch(options, line, screen)
    finally:
        line.close()
    if last is None:
        raise NothingToMake(f"{options.sources[0]}: no frame came")
    if not screen.shows_all:
        _tell(last, given)
    return last.exit_code


def _tell(found: Verdict, given: argparse.Namespace) -> None:
    if given.json:
        sys.stdout.flush()
        print(check_bytes(found).decode(), flush=True)
    elif not given.quiet:
        print(verdict_words(found, width=shutil.get_terminal_size((WIDTH, 24)).columns), flush=True)
    elif found.answer != "complete":
        print(found.headline, file=sys.stderr, flush=True)


def options_from(given: argparse.Namespace) -> CheckOptions:
    """The options a command line asks for.

    Raises
    ------
    BelvedereError
        If a value is none that can be used, or the series is not there; names the option.
    """
    if given.workers is not None and given.workers < 1:
        raise BelvedereError(f"--workers {given.workers}: needs at least 1")
    wanted = given.overlap
    if wanted is not None and not (math.isfinite(wanted) and 5.0 <= wanted <= 90.0):
        raise BelvedereError(f"--overlap {wanted:g}: needs 5 to 90, percent of a frame")
    near = given.ground
    if near is not None and not (math.isfinite(near) and near > 0.0):
        raise BelvedereError(f"--ground {near:g}: needs a number of metres above 0")
    plan = read_plan(Path(given.plan)) if given.plan else None
    usual = WANTED_OVERLAP if plan is None else plan.overlap_wanted
    options = CheckOptions(
        sources=tuple(Path(source) for source in given.sources),
        memory_bytes=memory_from(given.memory),
        workers=given.workers,
        work=Path(given.work) if given.work else None,
        examine=ExamineOptions(
            wanted_overlap=usual if wanted is None else wanted / 100.0, nearest_ground_m=near, plan=plan
        ),
    )
    if is_series_file(given.sources):
        return replace(options, sources=_frames_of(given), in_order_given=True)
    if given.series:
        raise BelvedereError(f"{given.sources[0]}: --series needs the series.json of a sorted card")
    return options


def _frames_of(given: argparse.Namespace) -> tuple[Path, ...]:
    """Files of the series asked for, or of the only one there is."""
    file = Path(given.sources[0])
    if given.watch:
        raise BelvedereError(f"{file}: --watch follows a folder, not a sorted card")
    card = read_series(file)
    if not card.series:
        raise NothingToMake(f"{file}: holds no series")
    if not given.series and len(card.series) > 1:
        names = ", ".join(series.name for series in card.series)
        raise BelvedereError(f"{file}: say which series with --series NAME. There are {names}")
    series = find_series(file, card, given.series or card.series[0].name)
    frames = find_frames(file, card, series)
    for notice in () if given.quiet else (*frames.notices, first_exposures(series)):
        if notice is not None:
            print(f"{notice}.", file=sys.stderr, flush=True)
    return frames.files
