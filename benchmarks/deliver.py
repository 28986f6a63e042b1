"""A very large picture delivered for every purpose: memory, and time against copying through the same codecs.

Usage: python -m benchmarks.deliver [--gigapixels 2] [--aspect 3] [--folder out/deliver]

The picture is made once, tile by tile, and stays in FOLDER; what is delivered is removed after each run. Two
gigapixels need about 30 GB of disk. Memory depends on the picture's width alone: 0.2 gigapixels with an
aspect of 30 are as wide as 2 with one of 3, and take a tenth of the time.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import tifffile

from benchmarks.command import python_module, run
from benchmarks.deliver_picture import make_picture
from benchmarks.sets import Setting
from benchmarks.table import MISSING, Figure, closing, head, row
from tests.paper_profiles import paper_profile

FOLDER = Path(__file__).parents[1] / "out" / "deliver"
ASPECT = 3.0
_FRAMES = 84  # of 24 megapixels: two gigapixels
_MIB = 2**20
_SHOWN = 3.0 / 0.0254 * 300.0  # px of a print three metres wide
_PROFILE = "cotton.icc"


@dataclass(frozen=True, slots=True)
class Delivery:
    """One delivery: its words, what follows `belvedere deliver PICTURE`, what the copy writes."""

    words: str
    arguments: tuple[str, ...]
    codec: str
    share: float = 1.0


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group: a picture of as many pixels as 84 frames have."""
    folder = setting.folder / "deliver"
    try:
        yield from figures(folder, setting.megapixels * _FRAMES / 1e3)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def figures(folder: Path, gigapixels: float, aspect: float = ASPECT) -> Iterator[Figure]:
    """Deliver a picture of this size for every purpose."""
    picture = folder / f"picture-{gigapixels:.3g}-{aspect:.3g}.tif"
    folder.mkdir(parents=True, exist_ok=True)
    if not picture.exists():
        make_picture(picture, gigapixels * 1e9, aspect)
    with tifffile.TiffFile(picture) as tiff:
        width, height = tiff.pages.first.imagewidth, tiff.pages.first.imagelength
    (folder / _PROFILE).write_bytes(paper_profile())
    for delivery in _deliveries(folder / _PROFILE, width):
        yield from _one(picture, delivery, width * height, folder / "made")


def _deliveries(profile: Path, width: int) -> Iterator[Delivery]:
    paper = ("--for", "paper", "--paper", str(profile))
    # three metres, or what of it the picture fills as finely as two gigapixels do
    reduced = min(1.0, _SHOWN / width) if width > _SHOWN else 0.46
    metres = width * reduced / 300.0 * 0.0254
    size = ("--width", f"{metres * 1e3:.1f}")
    yield Delivery("to keep", ("--for", "keep"), "tiles")
    yield Delivery(f"TIFF for paper, {metres:.2g} m", (*paper, *size), "strips", reduced**2)
    yield Delivery(f"PDF for paper, {metres:.2g} m", (*paper, *size, "--as", "pdf"), "pdf", reduced**2)
    panels = ("--roll", "1118")
    yield Delivery("TIFF for paper, every pixel, in panels", (*paper, *panels), "strips")
    yield Delivery("PDF for paper, every pixel, in panels", (*paper, *panels, "--as", "pdf"), "pdf")
    yield Delivery("for the screen", ("--for", "screen"), "jpeg")


def _one(picture: Path, delivery: Delivery, pixels: int, room: Path) -> Iterator[Figure]:
    name = f"{pixels / 1e9:.2g} gigapixels {delivery.words}"
    shutil.rmtree(room, ignore_errors=True)
    room.mkdir()
    try:
        copy = python_module(
            "benchmarks.deliver_copy", picture, delivery.codec, room / "copy", pixels * delivery.share
        )
        copied = run(copy)
        if copied.code != 0:
            raise RuntimeError(f"the copy failed: {copied.errors.strip()[-300:]}")
        (room / "copy").unlink()
        out = room / ("made.pdf" if "pdf" in delivery.arguments else "made.tif")
        if "screen" in delivery.arguments:
            out = room / "made.screen"
        made = run(
            python_module("belvedere.cli", "deliver", picture, *delivery.arguments, "--out", out, "--quiet")
        )
        if made.code not in (0, 3):
            raise RuntimeError(f"belvedere deliver ended with {made.code}: {made.errors.strip()[-300:]}")
    finally:
        shutil.rmtree(room, ignore_errors=True)
    yield Figure(f"{name}: peak memory", made.peak_bytes / _MIB, "MiB", 1024.0)
    yield Figure(
        f"{name}: time / copy through the codecs",
        made.seconds / copied.seconds,
        "",
        3.0,
        note=f"{made.seconds:.1f} s against {copied.seconds:.1f} s",
    )
    yield Figure(
        f"{name}: processor time / the copy's",
        made.processor_s / copied.processor_s,
        note=f"{made.processor_s:.1f} s against {copied.processor_s:.1f} s, whatever else runs",
    )


def main() -> int:
    """Print the table; 1 if something could not be measured."""
    parser = argparse.ArgumentParser(prog="benchmarks.deliver", description=__doc__.splitlines()[0])
    parser.add_argument("--gigapixels", type=float, default=2.0, metavar="GP", help="2 if not given")
    parser.add_argument(
        "--aspect", type=float, default=ASPECT, metavar="A", help="width over height, 3 if not given"
    )
    parser.add_argument("--folder", type=Path, default=FOLDER, help="picture and scratch; out/deliver")
    given = parser.parse_args()
    print(head(), flush=True)
    measured = []
    for figure in figures(given.folder, given.gigapixels, given.aspect):
        measured.append(figure)
        print(row("deliver", figure), flush=True)
    print(closing(measured))
    return 1 if any(figure.outcome == MISSING for figure in measured) else 0


if __name__ == "__main__":
    sys.exit(main())
