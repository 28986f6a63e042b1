"""The finished picture: size, coverage, fine detail, seams, and people who walked through."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from belvedere.capture.frame_source import FrameSource
from benchmarks.against_truth import frame_grid, turn_to_truth
from benchmarks.fine_detail import Detail, measure_detail
from benchmarks.picture_made import Made, make
from benchmarks.seam_steps import measure_seam_steps
from benchmarks.sets import Setting
from benchmarks.solved import opened
from benchmarks.table import Figure, not_measured
from benchmarks.walkers import count_walkers

SETS = ("row", "rows-3x5", "full-turn")


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name in SETS:
        made = make(setting.rendered(name), setting.room("picture") / "picture.tif")
        yield from _whole(name, made)
        with opened(made.folder, setting.folder / "work" / "frames") as shot:
            yield from _details(name, made, shot.source)
            yield from _seams(name, made, shot.source)
    made = make(setting.rendered("walkers"), setting.room("picture") / "picture.tif")
    counted = count_walkers(made)
    told = "; ".join(counted.which[:3])
    yield Figure(
        "walkers: appearances cut",
        counted.cut,
        "",
        0,
        "==",
        note=f"{counted.whole} shown whole, {counted.hidden} hidden; 20 people walk through. {told}",
    )


def _whole(name: str, made: Made) -> Iterator[Figure]:
    focal = max(f.camera.focal_px for f in made.truth.frames)
    size = f"{made.plate.projection}, {made.plate.width} x {made.plate.height} px"
    yield Figure(
        f"{name}: pixels per radian / focal length in px",
        made.plate.pixels_per_radian / focal,
        "",
        0.98,
        ">=",
        note=size,
    )
    yield Figure(f"{name}: share of the frames' union covered", 100.0 * _covered(made), "%", 99.0, ">=")


def _covered(made: Made) -> float:
    """Share of what all true frames show together that the picture shows, by points on every frame.

    A point counts as one over the number of frames that show its place.
    """
    turn = turn_to_truth(made.truth, made.cameras)
    total = shown = 0.0
    frames = [f for f in made.truth.frames if f.belongs]
    for frame in frames:
        rays = frame.camera.rays(frame_grid(frame.camera, 100))
        weight = 1.0 / np.sum([f.camera.project(rays)[1] for f in frames], axis=0)
        at = made.plate.points(rays @ turn)
        with np.errstate(invalid="ignore"):
            cell = np.rint(np.nan_to_num(at, nan=-1e9)).astype(int)
        inside = ((cell >= 0) & (cell < [made.plate.width, made.plate.height])).all(axis=1)
        alpha = np.zeros(len(cell))
        alpha[inside] = made.codes[cell[inside, 1], cell[inside, 0], 3] / 65535.0
        total += float(weight.sum())
        shown += float(weight @ alpha)
    return shown / total


def _details(name: str, made: Made, source: FrameSource) -> Iterator[Figure]:
    found = measure_detail(made, source)
    alone = [d for d in found if not d.seam]
    if len(alone) < 5:
        yield not_measured(f"{name}: fine detail", f"only {len(alone)} windows of 128 px with detail")
        return
    ratio = np.array([d.picture / d.frame for d in alone])
    low, high = np.percentile(ratio, [5, 95])
    yield Figure(
        f"{name}: energy kept at 0.25-0.40 cycles/px",
        _pooled(alone),
        "",
        (0.95, 1.04),
        note=f"{len(alone)} windows; median {np.median(ratio):.3f}, 5 % to 95 % {low:.3f} to {high:.3f}",
    )
    crossed = [d for d in found if d.seam]
    if len(crossed) >= 5:
        yield Figure(
            f"{name}: the same where a seam runs through (doubled edges lose)",
            _pooled(crossed),
            note=f"{len(crossed)} windows",
        )


def _pooled(details: list[Detail]) -> float:
    return sum(d.picture for d in details) / sum(d.frame for d in details)


def _seams(name: str, made: Made, source: FrameSource) -> Iterator[Figure]:
    steps = measure_seam_steps(made, source)
    if not len(steps.seams):
        yield not_measured(f"{name}: largest step a seam adds", "no piece of seam lies in a plain place")
        return
    above = int((steps.seams > 0.02).sum())
    note = f"{len(steps.seams)} pieces ({100 * steps.share:.0f} % of all), {above} above the bar, 95 % below "
    note += f"{np.percentile(steps.seams, 95):.4f}"
    if len(steps.beside):
        note += (
            f"; beside seams: largest {steps.beside.max():.4f}, 95 % {np.percentile(steps.beside, 95):.4f}"
        )
    yield Figure(f"{name}: largest step a seam adds", float(steps.seams.max()), "EV", 0.02, note=note)
