"""Rows that climb along themselves: found, told apart from leaning heads, none invented."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from belvedere.align.alignment import Alignment, Level, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.render import truth
from belvedere.demo.sets import set_spec
from belvedere.survey.checking.check_tilt import examine_tilt
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from benchmarks.sets import Setting, seeds
from benchmarks.table import Figure

_SEEDS = 40
_CLIMB_DEG = 2.0
SETS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("row", {}),
    ("row", {"columns": 3}),
    ("row", {"columns": 5}),
    ("row", {"columns": 9}),
    ("row", {"columns": 12}),
    ("row", {"columns": 5, "focal_mm": 24.0}),
    ("row", {"columns": 11, "focal_mm": 70.0}),
    ("row", {"columns": 17, "focal_mm": 150.0}),
    ("rows-3x5", {}),
    ("rows-3x5", {"columns": 7, "pitch_deg": 30.0}),
)
"""Frames scatter by 0.25 degrees in pitch and half of that in roll; the head leans by 3 degrees, anywhere."""


def measure(setting: Setting) -> Iterator[Figure]:
    """Found of rows that climb or sink by 2 degrees, invented where none does, and how truly it is told."""
    found, invented, errors, missed, sets = 0, 0, [], [], 0
    for seed in seeds(setting, _SEEDS):
        azimuth = float(np.random.default_rng([seed, 0x711]).uniform(-180.0, 180.0))
        drift = _CLIMB_DEG if seed % 2 else -_CLIMB_DEG
        for name, changes in SETS:
            sets += 1
            climbs = _climbs(name, seed, azimuth, {**changes, "tilt_drift_deg": drift})
            right = [f.numbers["climb_deg"] for f in climbs if f.numbers["climb_deg"] * drift > 0.0]
            found += len(right) == len(climbs) == 1
            errors += [abs(c - drift) for c in right]
            if not right:
                missed.append(f"{name} {changes}, seed {seed}")
            invented += len(_climbs(name, seed, azimuth, changes))
    worst = max(errors, default=math.nan)
    note = f"told to {worst:.1f} degrees at worst; missed {'; '.join(missed[:3])}"
    yield Figure(f"rows climbing {_CLIMB_DEG:g} degrees: found in {sets}", found, note=note)
    yield Figure(f"sets whose rows do not climb: of {sets} said to", invented)


def _climbs(name: str, seed: int, azimuth: float, changes: dict[str, Any]) -> list[Finding]:
    known = truth(set_spec(name, megapixels=0.4, seed=seed, tilt_azimuth_deg=azimuth, **changes))
    frames = tuple(
        Frame((Exposure(Path(f"{i}.JPG"), Metadata(f.camera.width, f.camera.height)),))
        for i, f in enumerate(known.frames)
    )
    alignment = Alignment(
        tuple(Placement(0, f.camera) for f in known.frames),
        (),
        (),
        Level("pan-axis", math.radians(0.05), ""),
        (tuple(range(len(frames))),),
        0.3,
    )
    source = FramesInMemory([np.zeros((2, 2, 3), np.uint8)])
    found = examine_tilt(Checked(frames, source, alignment, None))
    return [f for f in found if "climb_deg" in f.numbers]
