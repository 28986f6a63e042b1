"""Poses of stepped exposures as files, and the light they should give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.metadata import read_metadata
from belvedere.capture.transfer import read_transfer
from belvedere.demo.poses import Shot, plan_shots
from belvedere.demo.render import render_frame, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.demo.truth import Truth

STEPS = (0.0, -2.0, 2.0)


@cache
def shot(shelf: Path, name: str = "row", **changes: Any) -> tuple[SetSpec, Truth, Path]:
    """Two poses of three exposures, as files."""
    folder = shelf / f"{name}-{abs(hash(repr(sorted(changes.items()))))}"
    spec = set_spec(name, megapixels=0.2, columns=2, bracket_ev=STEPS, **changes)
    return spec, write_set(spec, folder), folder


def pose(folder: Path, names: Sequence[str], **changes: Any) -> Frame:
    return Frame(tuple(Exposure(folder / n, replace(read_metadata(folder / n), **changes)) for n in names))


def light_of_codes(codes: NDArray[np.uint16], frame: Frame) -> NDArray[np.float64]:
    table = read_transfer(frame.metadata).to_linear
    return np.interp(codes / 65535.0, np.linspace(0.0, 1.0, table.size), table)


def merged(frame: Frame, scratch: Path) -> tuple[NDArray[np.float64], BracketAccount]:
    codes, account = merge_bracket(frame, scratch, decode)
    assert codes.shape == (frame.metadata.height, frame.metadata.width, 3)
    assert not list(scratch.glob(".*.part"))
    return light_of_codes(codes, frame), account


def true_light(spec: SetSpec, first: Shot) -> NDArray[np.float64]:
    """What a frame without noise and white would hold, in units of the shortest exposure's white."""
    quiet = replace(spec, body=replace(spec.body, full_well=0.0), bits=16, brightness=spec.brightness / 64.0)
    clean = plan_shots(quiet)[0]
    assert first.pose == 0
    codes = render_frame(quiet, clean) / 65535.0
    encoded = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    return np.asarray(encoded * 64.0 * 2.0 ** min(STEPS))


def light_of_codes_alone(exposure: Exposure) -> NDArray[np.float64]:
    codes = decode(exposure)
    table = read_transfer(exposure.metadata).to_linear
    return np.interp(codes / float(np.iinfo(codes.dtype).max), np.linspace(0.0, 1.0, table.size), table)
