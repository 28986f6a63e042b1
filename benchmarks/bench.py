"""Measure what Belvedere promises and print it beside the bars: see docs/benchmarks.md.

Usage: python -m benchmarks.bench [--only GROUP,GROUP] [--megapixels 1.5] [--seeds N] [--sets FOLDER]
"""

from __future__ import annotations

import argparse
import hashlib
import importlib
import platform
import shutil
import sys
import time
import traceback
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import belvedere
from benchmarks.sets import Setting, processors
from benchmarks.table import MISSING, Figure, append_lines, closing, head, not_measured, row

GROUPS = (
    "truth",
    "level",
    "picture",
    "identical",
    "resume",
    "no-exif",
    "silent",
    "featureless",
    "many-frames",
    "sort",
    "check",
    "check-pixels",
    "reference",
    "floor",
    "giga",
    "deliver",
    "linear",
    "brackets",
)
FOLDER = Path(__file__).parents[1] / "out" / "bench"


def main() -> int:
    """Run the groups asked for; 1 if something could not be measured."""
    given = _arguments()
    setting = Setting(given.megapixels, given.seeds, given.folder, given.sets)
    run = {
        "run": datetime.now(UTC).isoformat(timespec="seconds"),
        "megapixels": setting.megapixels,
        "version": belvedere.__version__,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "processors": processors(),
    }
    print(f"frames of {setting.megapixels:g} megapixels, {processors()} processors")
    print(head(), flush=True)
    measured: list[tuple[str, Figure]] = []
    for group in given.only:
        began, code = time.perf_counter(), _code()
        for figure in _figures(group, setting):
            measured.append((group, figure))
            append_lines(setting.folder / "figures.jsonl", run, group, [figure])
            print(row(group, figure), flush=True)
        print(f"  {group} took {time.perf_counter() - began:.0f} s", flush=True)
        if _code() != code:
            print(f"  the code was changed while {group} ran: measure it again", flush=True)
    shutil.rmtree(setting.folder / "work", ignore_errors=True)
    if len(given.only) > 1:
        print("\n" + head())
        for group, figure in measured:
            print(row(group, figure))
    print(closing(figure for _, figure in measured))
    return 1 if any(figure.outcome == MISSING for _, figure in measured) else 0


def _figures(group: str, setting: Setting) -> Iterator[Figure]:
    """A group's figures as they come; a fault becomes a figure that is missing."""
    try:
        yield from importlib.import_module("benchmarks." + group.replace("-", "_")).measure(setting)
    except Exception as error:
        traceback.print_exc(file=sys.stderr)
        yield not_measured(f"{group}: stopped by {type(error).__name__}", error)


def _code() -> str:
    """SHA-256 of the package's source files as they are now."""
    files = sorted(Path(belvedere.__file__).parent.rglob("*.py"))
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="benchmarks.bench", description=__doc__.splitlines()[0])
    parser.add_argument(
        "--only",
        type=_groups,
        default=GROUPS,
        metavar="GROUP,GROUP",
        help="of " + ", ".join(GROUPS) + "; all if not given",
    )
    parser.add_argument(
        "--megapixels", type=float, default=24.0, metavar="MP", help="million pixels a frame; 24 if not given"
    )
    parser.add_argument("--seeds", type=int, metavar="N", help="repeat what is repeated over seeds N times")
    parser.add_argument("--sets", type=Path, metavar="FOLDER", help="sets rendered before, named as the set")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="scratch and results; out/bench")
    return parser.parse_args()


def _groups(text: str) -> tuple[str, ...]:
    asked = tuple(name.strip() for name in text.split(","))
    unknown = [name for name in asked if name not in GROUPS]
    if unknown:
        raise argparse.ArgumentTypeError(f"there is no group {unknown[0]!r}; there are {', '.join(GROUPS)}")
    return asked


if __name__ == "__main__":
    sys.exit(main())
