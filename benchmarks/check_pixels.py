"""What a check finds in pixels, and what it invents: sharpness, focus, entrance pupil, moving things."""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
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

_SMALL_MEGAPIXELS = 1.5  # of what is repeated over seeds
_SEEDS = 10
_FEATURE_PIXELS = 500_000  # as a check takes them
_PUPIL_MM = (60.0, -40.0)
_TIME_FRAMES = 17
CLEAN: tuple[tuple[str, dict[str, Any]], ...] = (
    ("row", {}),
    ("walkers", {"walkers": 0}),
    ("near-ground", {"pupil_offset_mm": 0.0}),
    ("rows-3x5", {}),
)


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group: many small sets, then one of each at full size."""
    small = min(setting.megapixels, _SMALL_MEGAPIXELS)
    yield from _clean(setting, small)
    yield from _motion(setting, small)
    yield from _refocused(setting, small)
    yield from _pupil(setting, small)
    yield from _walkers(setting, small)
    yield from _clouds(setting, small)
    if setting.megapixels > small:
        yield from _full_size(setting.megapixels)


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


def _clean(setting: Setting, megapixels: float) -> Iterator[Figure]:
    for name, changes in CLEAN:
        invented, sets = [], 0
        for seed in seeds(setting, _SEEDS):
            found, _ = _examined(name, megapixels=megapixels, seed=seed, **changes)
            invented += [f"seed {seed}: {f.kind} {f.frames}" for f in found if f.kind != "clipping"]
            sets += 1
        words = f"{sets} sets of {name} {changes or ''}; {'; '.join(invented[:3])}"
        yield Figure(f"clean {name}: findings invented", len(invented), "", 0, "==", words)


def _motion(setting: Setting, megapixels: float) -> Iterator[Figure]:
    missed, others, angles, lengths, sets = 0, 0, [], [], 0
    for seed in seeds(setting, _SEEDS):
        rng = np.random.default_rng([seed, 0xB1])
        frame, angle = int(rng.integers(7)), float(rng.uniform(-90.0, 90.0))
        fault = Fault(frame, motion_px=3.0, motion_deg=angle)
        found, _ = _examined("row", megapixels=megapixels, seed=seed, faults=(fault,))
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
    yield Figure("motion of 3 px: frames missed", missed, "", 0, "==", f"{sets} sets; {told}; {length}")
    yield Figure("motion of 3 px: other findings", others, "", 0, "==")


def _refocused(setting: Setting, megapixels: float) -> Iterator[Figure]:
    missed, others, factors, sets = 0, 0, [], 0
    for seed in seeds(setting, _SEEDS):
        frame = int(np.random.default_rng([seed, 0xF0]).integers(7))
        fault = Fault(frame, defocus_px=5.0, focal_factor=1.012)
        found, _ = _examined("row", megapixels=megapixels, seed=seed, faults=(fault,))
        mine = [f for f in found if f.kind == "focus" and f.frames == (frame,)]
        missed += not mine
        others += len(found) - len(mine)
        factors += [f.numbers["focal_factor"] for f in mine]
        sets += 1
    span = f"{min(factors, default=math.nan):.4f} to {max(factors, default=math.nan):.4f}"
    words = f"{sets} sets; factor 1.012 told as {span}"
    yield Figure("refocused frame: missed", missed, "", 0, "==", words)
    yield Figure("refocused frame: other findings", others, "", 0, "==")


def _pupil(setting: Setting, megapixels: float) -> Iterator[Figure]:
    for offset in _PUPIL_MM:
        errors, others, told = [], 0, []
        for seed in seeds(setting, _SEEDS):
            found, _ = _examined("near-ground", megapixels=megapixels, seed=seed, pupil_offset_mm=offset)
            mine = [f for f in found if f.kind == "parallax"]
            others += len(found) - len(mine)
            errors.append(abs(mine[0].numbers["offset_mm"] / offset - 1.0) if mine else math.inf)
            told += [f.numbers["offset_mm"] for f in mine]
        span = f"{min(told, default=math.nan):.0f} to {max(told, default=math.nan):.0f} mm"
        words = f"{len(errors)} sets, {others} other findings; told {span}"
        worst = 100.0 * max(errors) if math.isfinite(max(errors)) else 999.0
        yield Figure(f"entrance pupil {offset:.0f} mm off: worst error", worst, "%", 25.0, note=words)


def _walkers(setting: Setting, megapixels: float) -> Iterator[Figure]:
    missed, wrong, sets = 0, 0, 0
    for seed in seeds(setting, _SEEDS):
        found, _ = _examined("walkers", megapixels=megapixels, seed=seed, walkers=2)
        pairs = {f.frames for f in found if f.kind == "moving" and "places" in f.numbers}
        crossed = {(0, 1), (1, 2)}  # walker k crosses the overlap of frames k and k + 1
        missed += len(crossed - pairs)
        wrong += len(pairs - crossed) + sum(f.kind != "moving" for f in found)
        sets += 1
    yield Figure("two walkers: overlaps missed", missed, "", 0, "==", f"{sets} sets, 2 overlaps each")
    yield Figure("two walkers: other findings", wrong, "", 0, "==")


def _clouds(setting: Setting, megapixels: float) -> Iterator[Figure]:
    missed, wrong, sets = 0, 0, 0
    for seed in seeds(setting, _SEEDS):
        found, _ = _examined("cloud-drift", megapixels=megapixels, seed=seed)
        sky = [f for f in found if f.kind == "moving" and "sky_px" in f.numbers]
        missed += not sky
        wrong += len([f for f in found if f.kind != "clipping"]) - len(sky)
        sets += 1
    yield Figure("drifting clouds: sets missed", missed, "", 0, "==", f"{sets} sets")
    yield Figure("drifting clouds: other findings", wrong, "", 0, "==", "a person, a zoom, a blur")


def _full_size(megapixels: float) -> Iterator[Figure]:
    """One of each at full size: the figures must not hang on the size of frames."""
    size = f"{megapixels:g} megapixels"
    found, _ = _examined("row", megapixels=megapixels)
    words = "; ".join(f"{f.kind} {f.frames}" for f in found)
    yield Figure(f"clean row at {size}: findings invented", len(found), "", 0, "==", words)
    fault = Fault(3, motion_px=3.0, motion_deg=35.0)
    found, _ = _examined("row", megapixels=megapixels, faults=(fault,))
    words = "; ".join(f"{f.kind} {f.frames} {f.numbers}" for f in found)
    hit = sum(f.kind == "sharpness" and f.frames == (3,) for f in found)
    yield Figure(f"motion of 3 px at {size}: frames missed", 1 - hit, "", 0, "==", words)
    for offset in (60.0, 0.0):
        found, _ = _examined("near-ground", megapixels=megapixels, pupil_offset_mm=offset)
        told = [f.numbers["offset_mm"] for f in found if f.kind == "parallax"]
        name = f"entrance pupil {offset:.0f} mm off at {size}"
        others = "; ".join(f"{f.kind} {f.frames}" for f in found if f.kind != "parallax")
        if offset:
            worst = 100.0 * abs(told[0] / offset - 1.0) if told else 999.0
            yield Figure(f"{name}: error", worst, "%", 25.0, note=others)
        else:
            yield Figure(f"{name}: warnings", len(told), "", 0, "==", others)
    columns = {"columns": _TIME_FRAMES, "focal_mm": 150.0, "scatter_deg": 0.1}
    found, seconds = _examined("row", megapixels=megapixels, **columns)
    words = "; ".join(f"{f.kind} {f.frames}" for f in found)
    yield Figure(f"{_TIME_FRAMES} frames of {size} examined", seconds, "s", 2.0, note=words)
