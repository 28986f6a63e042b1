"""Five rows of fourteen frames in one block, whatever their size: memory, time over the floor, accuracy.

Usage: python -m benchmarks.giga [--megapixels 45] [--folder out/giga]

The set is rendered once into FOLDER/frames-45, with smaller ones for the comparisons: a quarter of the
pixels, and a fifteenth (of 1.5 gigapixels of picture: 0.1). Pictures and work folders are removed after
each run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile

from belvedere.align.alignment import Alignment
from belvedere.compose.report import Report
from belvedere.demo.place import Place
from belvedere.demo.spec import SetSpec, ShootingOrder, SimulatedLens
from belvedere.demo.truth import read_truth
from benchmarks import against_truth
from benchmarks.command import Ran, kept, python_module, report_of, run, stitch
from benchmarks.giga_reference import beside
from benchmarks.sets import Setting, keep_rendered
from benchmarks.table import MISSING, Figure, closing, head, row

FOLDER = Path(__file__).parents[1] / "out" / "giga"
_LENS = SimulatedLens("Ilvane 135 mm f/2.8", (0.02, 0.0, 0.0), (-0.04, 0.05), (-0.25, 0.03, 0.0))
_MIB = 2**20


def giga_spec(megapixels: float) -> SetSpec:
    """Five rows of fourteen upright frames at 135 mm, shot back and forth: ground, ranges, clouds on top."""
    return SetSpec(
        "giga",
        rows=5,
        columns=14,
        focal_mm=135.0,
        megapixels=megapixels,
        lens=_LENS,
        pitch_deg=2.0,
        tilt_deg=1.0,
        order=ShootingOrder(serpentine=True),
        place=Place(relief=2.2, clouds=0.6),
    )


@dataclass(frozen=True, slots=True)
class Placed:
    """How well frames are placed.

    Parameters
    ----------
    tied : int
        Frames placed by tie points.
    rms_px : float
        How far apart two of these that overlap see the same point, RMS, px.
    most_sigmas, most_px : float
        Largest error of the other frames, in sigmas that are stated, and in px; 0 if there are none.
    """

    tied: int
    rms_px: float
    most_sigmas: float
    most_px: float


@dataclass(frozen=True, slots=True)
class Stitched:
    """One run, what it said of itself, and its picture in short."""

    ran: Ran
    report: Report
    tiles: str
    placed: Placed
    floor: dict[str, float]

    @property
    def megapixels(self) -> float:
        """Million pixels of the picture."""
        return self.report.plate.width * self.report.plate.height / 1e6

    @property
    def seconds_per_megapixel(self) -> float:
        return self.ran.seconds / self.megapixels


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    yield from figures(setting.folder / "giga", setting.megapixels)


def figures(folder: Path, megapixels: float) -> Iterator[Figure]:
    """Measure a set of this size, the smaller ones it is compared with, and the reference beside both."""
    # the small one first: it compiles what is not compiled yet, 15 s and 120 MiB that later runs do not take
    part = _stitched(folder, megapixels / 15)
    full = _stitched(folder, megapixels, floor=True)
    name = f"{full.megapixels / 1e3:.3g} gigapixels of 70 frames of {megapixels:g}"
    yield Figure(f"{name}: peak memory", full.ran.peak_bytes / _MIB, "MiB", 3072.0)
    decode_s, write_s = full.floor["decode_s"], full.floor["write_s"]
    yield Figure(
        f"{name}: total time / floor",
        full.ran.seconds / (decode_s + write_s),
        "",
        3.0,
        note=f"{full.ran.seconds:.0f} s against {decode_s + write_s:.0f} s "
        f"(decode {decode_s:.0f}, write {write_s:.0f})",
    )
    yield Figure(
        f"{name}: processor time / the floor's",
        full.ran.processor_s / full.floor["processor_s"],
        note=f"{full.ran.processor_s:.0f} s against {full.floor['processor_s']:.0f} s, whatever else runs",
    )
    timing = full.report.timing
    parts = ("decode", "align", "tone", "compose", "write")
    shares = ", ".join(f"{part} {getattr(timing, part + '_s'):.1f} s" for part in parts)
    yield Figure(f"{name}: where the time goes, total", timing.total_s, "s", note=shares)
    used = [frame for frame in full.report.frames if frame.used]
    yield Figure(f"{name}: frames used of 70", len(used), "", 70, "==")
    yield Figure(
        f"{name}: overlapping frames disagree, RMS",
        full.placed.rms_px,
        "px",
        0.3,
        note=f"{full.placed.tied} frames placed by tie points",
    )
    if full.placed.tied < len(used):
        yield Figure(
            f"{name}: frames placed by the turn, worst error over stated sigma",
            full.placed.most_sigmas,
            "",
            3.0,
            note=f"{len(used) - full.placed.tied} frames, off by {full.placed.most_px:.0f} px at most",
        )
    tight = _stitched(folder, megapixels, "--memory", "1GiB")
    yield Figure(
        f"{name}: peak memory with --memory 1GiB",
        tight.ran.peak_bytes / _MIB,
        "MiB",
        1536.0,
        note=f"{tight.ran.seconds:.0f} s",
    )
    yield Figure(f"{name}: tiles with 1GiB that differ", float(tight.tiles != full.tiles), "", 0, "==")
    quarter = _stitched(folder, megapixels / 4)
    for words, options, large in (("", (), full), (" with 1GiB", ("--memory", "1GiB"), tight)):
        small = quarter if not options else _stitched(folder, megapixels / 4, *options)
        yield Figure(
            f"{name}: more memory than a quarter of it takes{words}",
            100.0 * (large.ran.peak_bytes / small.ran.peak_bytes - 1.0),
            "%",
            10.0,
            note=f"{large.ran.peak_bytes / _MIB:.0f} against {small.ran.peak_bytes / _MIB:.0f} MiB",
        )
    yield Figure(
        f"{name}: more time a megapixel than a fifteenth of it takes",
        100.0 * (full.seconds_per_megapixel / part.seconds_per_megapixel - 1.0),
        "%",
        15.0,
        note=f"{full.seconds_per_megapixel:.3f} against {part.seconds_per_megapixel:.3f} s; "
        f"a quarter {quarter.seconds_per_megapixel:.3f} s",
    )
    for size, ours in ((megapixels / 15, part), (megapixels, full)):
        room = folder / "reference"
        room.mkdir(exist_ok=True)
        try:
            yield from beside(_frames(folder, size), size, room, ours.ran)
        finally:
            shutil.rmtree(room, ignore_errors=True)


def _frames(folder: Path, megapixels: float) -> Path:
    return folder / f"frames-{megapixels:.3g}"


def _stitched(folder: Path, megapixels: float, *options: object, floor: bool = False) -> Stitched:
    """Stitch the set of a size, keep what is to be known of it and remove the rest."""
    frames = _frames(folder, megapixels)
    keep_rendered(giga_spec(megapixels), frames)
    room = folder / "work"
    shutil.rmtree(room, ignore_errors=True)
    room.mkdir(parents=True)
    out = room / "picture.tif"
    try:
        ran = stitch(frames, out, "--projection", "equirectangular", *options)
        print(f"  {megapixels:.3g} {' '.join(map(str, options))}: {ran.seconds:.1f} s", flush=True)
        found: dict[str, float] = {}
        if floor:
            told = run(python_module("benchmarks.floor_work", frames, out, room / "floor.tif"))
            if told.code != 0:
                raise RuntimeError(f"the floor could not be measured: {told.errors[-300:]}")
            found = json.loads(told.output.splitlines()[-1])
        return Stitched(ran, report_of(out), _tiles(out), _placed(frames, out), found)
    finally:
        shutil.rmtree(room, ignore_errors=True)


def _placed(frames: Path, out: Path) -> Placed:
    """Solved cameras against the truth."""
    known, report = read_truth(frames), report_of(out)
    if [frame.file for frame in report.frames] != known.files:
        raise ValueError("the frames of the report are not those of the truth in their order")
    solved = kept(out, "alignment", Alignment).frames
    cameras = {i: p.camera for i, p in enumerate(solved) if p.camera is not None}
    tied = {i: camera for i, camera in cameras.items() if solved[i].placed_by == "tie-points"}
    apart = against_truth.disagreement_px(known, tied, 12)
    turn = against_truth.turn_to_truth(known, tied)
    errors = {}
    for i in cameras.keys() - tied.keys():
        true = known.frames[i].camera
        grid = against_truth.frame_grid(true, 6)
        off = true.rays(grid) - cameras[i].rays(grid) @ turn.T
        errors[i] = float(np.sqrt(np.mean(np.sum(off**2, axis=1)))) * true.focal_px
    sigmas = [error / max(solved[i].placement_sigma_px, 1e-9) for i, error in errors.items()]
    return Placed(
        len(tied),
        float(np.sqrt(np.mean(apart**2))),
        max(sigmas, default=0.0),
        max(errors.values(), default=0.0),
    )


def _tiles(picture: Path) -> str:
    """SHA-256 of the picture's tiles as they lie in the file, row by row: the same pixels, the same tiles."""
    digest = hashlib.sha256()
    with tifffile.TiffFile(picture) as tiff, picture.open("rb") as file:
        page = tiff.pages.first
        for offset, length in zip(page.dataoffsets, page.databytecounts, strict=True):
            file.seek(offset)
            digest.update(file.read(length))
    return digest.hexdigest()


def main() -> int:
    """Print the table; 1 if something could not be measured."""
    parser = argparse.ArgumentParser(prog="benchmarks.giga", description=__doc__.splitlines()[0])
    parser.add_argument(
        "--megapixels", type=float, default=45.0, metavar="MP", help="million pixels a frame; 45 if not given"
    )
    parser.add_argument("--folder", type=Path, default=FOLDER, help="frames and scratch; out/giga")
    given = parser.parse_args()
    print(head(), flush=True)
    measured = []
    for figure in figures(given.folder, given.megapixels):
        measured.append(figure)
        print(row("giga", figure), flush=True)
    print(closing(measured))
    return 1 if any(figure.outcome == MISSING for figure in measured) else 0


if __name__ == "__main__":
    sys.exit(main())
