"""What a check finds in pixels, and what it invents: sharpness, focus, entrance pupil, moving things."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.transfer import read_transfer
from belvedere.demo.faults import Fault
from belvedere.pipeline.schedule import Threads
from belvedere.survey.checking.check_pixels import examine_pixels
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.tone.estimate import estimate_tone
from benchmarks.sets import Setting, processors, seeds, shoot
from benchmarks.table import Figure

_SMALL_MEGAPIXELS = 1.5  # of what is repeated over many seeds
_SEEDS, _FULL_SEEDS = 20, 2
_FEATURE_PIXELS = 500_000  # as a check takes them
_PUPIL_MM = (60.0, -40.0)
_TIME_FRAMES = 17
CLEAN: tuple[tuple[str, dict[str, Any]], ...] = (
    ("row", {}),
    ("walkers", {"walkers": 0}),
    ("near-ground", {"pupil_offset_mm": 0.0}),
    ("rows-3x5", {}),
)


@dataclass(frozen=True, slots=True)
class _Size:
    """Frames of one size: how many million pixels, how a figure names them, which seeds."""

    megapixels: float
    words: str
    seeds: tuple[int, ...]


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group: many small sets, then a few of each kind at full size."""
    small = min(setting.megapixels, _SMALL_MEGAPIXELS)
    sizes = [_Size(small, "", tuple(seeds(setting, _SEEDS)))]
    if setting.megapixels > small:
        words = f" at {setting.megapixels:g} megapixels"
        sizes.append(_Size(setting.megapixels, words, tuple(seeds(setting, _FULL_SEEDS))))
    for size in sizes:
        yield from _clean(size)
        yield from _motion(size)
        yield from _refocused(size)
        yield from _pupil(size)
        yield from _walkers(size)
        yield from _clouds(size)
    if setting.megapixels > small:
        yield _time(setting.megapixels)


def _examined(name: str, **changes: Any) -> tuple[tuple[Finding, ...], float]:
    """What was found in a set's pixels, and how long that took, s."""
    shot = shoot(name, **changes)
    options = AlignOptions(feature_pixels=_FEATURE_PIXELS)
    run = Threads(processors())
    alignment = estimate_alignment(shot.source, shot.frames, options, run)
    transfers = [read_transfer(f.metadata) for f in shot.frames]
    tone = estimate_tone(shot.source, shot.frames, alignment, transfers)
    checked = Checked(shot.frames, shot.source, alignment, tone)
    known = [f.nearest_ground_m for f in shot.truth.frames if f.nearest_ground_m is not None]
    began = time.perf_counter()
    found = examine_pixels(checked, nearest_ground_m=min(known, default=None), run=run)
    return found, time.perf_counter() - began


def _clean(size: _Size) -> Iterator[Figure]:
    for name, changes in CLEAN:
        invented, sets = [], 0
        for seed in size.seeds:
            found, _ = _examined(name, megapixels=size.megapixels, seed=seed, **changes)
            invented += [f"seed {seed}: {f.kind} {f.frames}" for f in found if f.kind != "clipping"]
            sets += 1
        words = f"{sets} sets of {name} {changes or ''}; {'; '.join(invented[:3])}"
        yield Figure(f"clean {name}{size.words}: findings invented", len(invented), "", 0, "==", words)


def _motion(size: _Size) -> Iterator[Figure]:
    missed, others, angles, lengths, sets = 0, 0, [], [], 0
    for seed in size.seeds:
        rng = np.random.default_rng([seed, 0xB1])
        frame, angle = int(rng.integers(7)), float(rng.uniform(-90.0, 90.0))
        fault = Fault(frame, motion_px=3.0, motion_deg=angle)
        found, _ = _examined("row", megapixels=size.megapixels, seed=seed, faults=(fault,))
        mine = [f for f in found if f.kind == "sharpness" and f.frames == (frame,)]
        others += len(found) - len(mine)
        missed += not mine
        for f in mine:
            lengths.append(f.numbers["blur_px"])
            if "angle_deg" in f.numbers:
                angles.append(abs((f.numbers["angle_deg"] - angle + 90.0) % 180.0 - 90.0))
        sets += 1
    told = f"direction told in {len(angles)}, off by {max(angles, default=math.nan):.0f} deg at most"
    length = f"{min(lengths, default=math.nan):.1f} to {max(lengths, default=math.nan):.1f} px told"
    yield Figure(
        f"motion of 3 px{size.words}: frames missed", missed, "", 0, "==", f"{sets} sets; {told}; {length}"
    )
    yield Figure(f"motion of 3 px{size.words}: other findings", others, "", 0, "==")


def _refocused(size: _Size) -> Iterator[Figure]:
    missed, others, factors, sets = 0, 0, [], 0
    for seed in size.seeds:
        frame = int(np.random.default_rng([seed, 0xF0]).integers(7))
        fault = Fault(frame, defocus_px=5.0, focal_factor=1.012)
        found, _ = _examined("row", megapixels=size.megapixels, seed=seed, faults=(fault,))
        mine = [f for f in found if f.kind == "focus" and f.frames == (frame,)]
        missed += not mine
        others += len(found) - len(mine)
        factors += [f.numbers["focal_factor"] for f in mine]
        sets += 1
    span = f"{min(factors, default=math.nan):.4f} to {max(factors, default=math.nan):.4f}"
    words = f"{sets} sets; factor 1.012 told as {span}"
    yield Figure(f"refocused frame{size.words}: missed", missed, "", 0, "==", words)
    yield Figure(f"refocused frame{size.words}: other findings", others, "", 0, "==")


def _pupil(size: _Size) -> Iterator[Figure]:
    for offset in _PUPIL_MM:
        errors, others, told = [], 0, []
        for seed in size.seeds:
            found, _ = _examined("near-ground", megapixels=size.megapixels, seed=seed, pupil_offset_mm=offset)
            mine = [f for f in found if f.kind == "parallax"]
            others += len(found) - len(mine)
            errors.append(abs(mine[0].numbers["offset_mm"] / offset - 1.0) if mine else math.inf)
            told += [f.numbers["offset_mm"] for f in mine]
        span = f"{min(told, default=math.nan):.0f} to {max(told, default=math.nan):.0f} mm"
        words = f"{len(errors)} sets, {others} other findings; told {span}"
        worst = 100.0 * max(errors) if math.isfinite(max(errors)) else 999.0
        yield Figure(
            f"entrance pupil {offset:.0f} mm off{size.words}: worst error", worst, "%", 25.0, note=words
        )


def _walkers(size: _Size) -> Iterator[Figure]:
    missed, wrong, sets = 0, 0, 0
    for seed in size.seeds:
        found, _ = _examined("walkers", megapixels=size.megapixels, seed=seed, walkers=2)
        pairs = {f.frames for f in found if f.kind == "moving" and "places" in f.numbers}
        crossed = {(0, 1), (1, 2)}  # walker k crosses the overlap of frames k and k + 1
        missed += len(crossed - pairs)
        wrong += len(pairs - crossed) + sum(f.kind != "moving" for f in found)
        sets += 1
    yield Figure(
        f"two walkers{size.words}: overlaps missed", missed, "", 0, "==", f"{sets} sets, 2 overlaps each"
    )
    yield Figure(f"two walkers{size.words}: other findings", wrong, "", 0, "==")


def _clouds(size: _Size) -> Iterator[Figure]:
    missed, wrong, sets = 0, 0, 0
    for seed in size.seeds:
        found, _ = _examined("cloud-drift", megapixels=size.megapixels, seed=seed)
        sky = [f for f in found if f.kind == "moving" and "sky_px" in f.numbers]
        missed += not sky
        wrong += len([f for f in found if f.kind != "clipping"]) - len(sky)
        sets += 1
    yield Figure(f"drifting clouds{size.words}: sets missed", missed, "", 0, "==", f"{sets} sets")
    yield Figure(
        f"drifting clouds{size.words}: other findings", wrong, "", 0, "==", "a person, a zoom, a blur"
    )


def _time(megapixels: float) -> Figure:
    """How long the examination of a whole row takes."""
    columns = {"columns": _TIME_FRAMES, "focal_mm": 150.0, "scatter_deg": 0.1}
    found, seconds = _examined("row", megapixels=megapixels, **columns)
    words = "; ".join(f"{f.kind} {f.frames}" for f in found)
    return Figure(
        f"{_TIME_FRAMES} frames of {megapixels:g} megapixels examined", seconds, "s", 2.0, note=words
    )
