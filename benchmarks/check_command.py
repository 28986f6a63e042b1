"""The check as a command in a process of its own: how long a row of 17 takes, and how truly it measures."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import msgspec

from belvedere.align.overlaps import frame_grid, overlap_fraction
from belvedere.demo.truth import Truth, read_truth
from belvedere.survey.checking.verdict_json import CheckDocument
from benchmarks.command import run
from benchmarks.sets import Setting
from benchmarks.table import Figure, not_measured

_FRAMES = 17
_RAYS = 64


def measure(setting: Setting) -> Iterator[Figure]:
    """Time and memory of a check of 17 frames at 150 mm, and its overlaps against the truth."""
    folder = setting.rendered("row", columns=_FRAMES, focal_mm=150.0)
    name = f"row of {_FRAMES}, {setting.megapixels:g} MP a frame"
    ran = run([sys.executable, "-m", "belvedere.cli", "check", str(folder), "--json"])
    try:
        found = msgspec.json.decode(ran.output, type=CheckDocument)
    except msgspec.DecodeError:
        yield not_measured(f"{name}: seconds a frame", ran.errors or ran.output)
        return
    note = f"{ran.seconds:.1f} s in all, wall, of an own process"
    yield Figure(f"{name}: seconds a frame", ran.seconds / _FRAMES, "s", 0.6, note=note)
    yield Figure(f"{name}: peak memory", ran.peak_bytes / 2**20, "MiB")
    yield Figure(f"{name}: exit code", float(ran.code), "", 0.0, "==", note=found.headline)
    off = overlap_errors(found, read_truth(folder))
    if len(off) != _FRAMES - 1:
        yield not_measured(f"{name}: overlap against the truth", f"{len(off)} pairs of {_FRAMES - 1}")
        return
    yield Figure(f"{name}: overlap against the truth, worst", 100.0 * max(off), "points", 2.0)


def overlap_errors(found: CheckDocument, truth: Truth) -> list[float]:
    """By how much each overlap in a row is off, as a share of a frame."""
    out = []
    for step in found.overlaps:
        if step.across == "row":
            a, b = (truth.cameras[i] for i in sorted((step.a, step.b)))
            true = overlap_fraction(a.rays(frame_grid(a, _RAYS)), b)
            out.append(abs(step.overlap_fraction - true))
    return out
