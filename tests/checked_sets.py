"""Demo sets as a check sees them, measured without error: true cameras, gains and tags, no pixels."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from belvedere.align.alignment import Alignment, Level, LevelSource, Placement
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.render import truth
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.demo.truth import FrameTruth
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.tone.tone import FrameTone, Tone

BLANK = FramesInMemory([np.zeros((2, 2, 3), np.uint8)])


def checked_set(
    name: str,
    *,
    level_from: LevelSource = "pan-axis",
    unplaced: dict[int, str] | None = None,
    with_tone: bool = True,
    **changes: Any,
) -> Checked:
    """One of the demo's sets; `unplaced` frames, with the reason, have no camera and no gain."""
    spec = set_spec(name, megapixels=0.4, **changes)
    known = truth(spec)
    out = unplaced or {}
    placed = [i for i in range(len(known.frames)) if i not in out]
    alignment = Alignment(
        tuple(
            Placement(0, None, reason=out[i]) if i in out else Placement(0, f.camera)
            for i, f in enumerate(known.frames)
        ),
        (),
        (),
        Level(level_from, math.radians(0.05), f"from the {level_from}"),
        tuple(b for b in (tuple(placed), tuple(sorted(out))) if b),
        0.3,
    )
    frames = tuple(Frame((Exposure(Path(f.file), _metadata(spec, f)),)) for f in known.frames)
    tones = [
        None if i in out else FrameTone(f.gain, f.white_balance, f.vignetting, 0)
        for i, f in enumerate(known.frames)
    ]
    return Checked(frames, BLANK, alignment, Tone(tuple(tones), (), ()) if with_tone else None)


def _metadata(spec: SetSpec, f: FrameTruth) -> Metadata:
    width, height = spec.stored_size
    fault = f.fault
    focal = spec.focal_mm * (fault.focal_factor if fault.focal_told else 1.0)
    distance = spec.subject_distance_m if fault.subject_distance_m is None else fault.subject_distance_m
    white = spec.white_balance_auto if fault.white_balance_auto is None else fault.white_balance_auto
    auto = spec.exposure_auto if fault.exposure_auto is None else fault.exposure_auto
    return Metadata(
        width,
        height,
        f.orientation,
        make=spec.body.make,
        model=spec.body.model,
        serial=spec.body.serial,
        lens=spec.lens.model,
        focal_mm=focal,
        focal_35mm=focal,
        exposure_s=2.0**f.exposure_ev / 250.0,
        f_number=fault.f_number or 8.0,
        iso=float(fault.iso or 100),
        white_balance_auto=white,
        exposure_auto=auto,
        subject_distance_m=distance,
    )


def of_kind(findings: tuple[Finding, ...], kind: str, *graves: str) -> list[Finding]:
    """The findings of a kind, and of certain gravities if any are named."""
    return [f for f in findings if f.kind == kind and (not graves or f.grave in graves)]
