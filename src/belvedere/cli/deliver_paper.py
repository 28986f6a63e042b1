"""`belvedere deliver PICTURE --for paper`: arguments to a call, what was made to words."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from belvedere.cli.plan_quantities import DISTANCES_M, LENGTHS_MM, number
from belvedere.deliver.paper_profile import read_paper_profile
from belvedere.deliver.paper_size import PrintWish
from belvedere.deliver.picture import open_picture
from belvedere.deliver.print_file import make_print
from belvedere.deliver.print_plan import Format, PaperOptions, plan_print
from belvedere.deliver.print_sharpening import ARMS_LENGTH_M, SPREAD_MM
from belvedere.deliver.print_words import enlarging_words, made_words, planned_words
from belvedere.errors import BelvedereError
from belvedere.optics.print_size import PRINT_PPI
from belvedere.pipeline.processors import processors
from belvedere.pipeline.progress import Progress

OVERLAP_MM = 20.0
"""What neighbouring panels share (common practice, no published source)."""


_CACHE_BYTES = 24 << 20  # prints read the picture in bands: hardly any tile twice


def deliver_paper(given: argparse.Namespace) -> int:
    """Make the files for the printer; returns the exit code."""
    path = Path(given.picture)
    kind = _kind(given)
    out = (
        Path(given.out)
        if given.out
        else path.with_name(f"{path.stem}.paper{'.pdf' if kind == 'pdf' else '.tif'}")
    )
    options = paper_options(given, kind)
    line = Progress(sys.stderr, False if given.quiet else (True if given.progress else None))
    try:
        with open_picture(path, cache_bytes=_CACHE_BYTES) as picture:
            plan = plan_print(picture, out, options, replace=given.replace)
            if not given.quiet:
                print(planned_words(plan), flush=True)
            warning = enlarging_words(plan)
            for notice in (*plan.notices, *plan.remarks, *([] if warning is None else [warning])):
                print(f"belvedere: {notice}", file=sys.stderr, flush=True)
            line.begin("paper")
            made = make_print(picture, plan, workers=given.workers or processors(), progress=line.advance)
            line.finish()
    finally:
        line.close()
    if not given.quiet:
        print(made_words(plan, made), flush=True)
    return 3 if plan.notices else 0


def paper_options(given: argparse.Namespace, kind: Format) -> PaperOptions:
    """The options a command line asks for.

    Raises
    ------
    BelvedereError
        If a value is none that can be used, or the profile cannot be read.
    """

    def length(name: str) -> float:
        text = getattr(given, name)
        return 0.0 if text is None else number(f"--{name}", text, LENGTHS_MM, "90cm", "mm")

    distance = given.viewing_distance
    wish = PrintWish(
        width_mm=None if given.width is None else length("width"),
        height_mm=None if given.height is None else length("height"),
        ppi=PRINT_PPI if given.ppi is None else number("--ppi", given.ppi, {"ppi": 1.0}, "300"),
        margin_mm=length("margin"),
        wrap_mm=length("wrap"),
        bleed_mm=length("bleed"),
        beyond=given.beyond,
    )
    return PaperOptions(
        wish,
        profile=None if given.paper is None else read_paper_profile(Path(given.paper)),
        intent=given.intent,
        black_point=not given.no_black_point,
        roll_mm=None if given.roll is None else length("roll"),
        longest_mm=None if given.longest is None else length("longest"),
        overlap_mm=OVERLAP_MM if given.overlap is None else length("overlap"),
        marks=given.marks,
        sharpen=not given.no_sharpening,
        distance_m=ARMS_LENGTH_M
        if distance is None
        else number("--viewing-distance", distance, DISTANCES_M, "1.5m", "m"),
        spread_mm=SPREAD_MM[given.surface],
        format=kind,
        bits=given.bits,
    )


def _kind(given: argparse.Namespace) -> Format:
    """TIFF or PDF, as --as says, or else OUT's name."""
    suffix = Path(given.out).suffix.lower() if given.out else ""
    named: Format | None = "pdf" if suffix == ".pdf" else "tiff" if suffix in (".tif", ".tiff") else None
    if given.kind is None:
        return named or "tiff"
    if named is not None and named != given.kind:
        raise BelvedereError(
            f"--as {given.kind}: does not go with the name {given.out}; leave one of them out"
        )
    kind: Format = given.kind
    return kind
