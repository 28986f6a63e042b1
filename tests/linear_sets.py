"""A set of raw files whose camera thought of another white in each, and how to read what is made of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import rawpy
from numpy.typing import NDArray

from belvedere.cli.main import run
from belvedere.compose.report import read_report, report_path
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec

SPEC = replace(
    set_spec("clipped-sky", megapixels=0.3, columns=3, white_balance_sigma=0.2),
    raw="dng",
    white_balance_auto=True,
)


def shoot(folder: Path) -> Path:
    """The set in a folder."""
    write_set(SPEC, folder)
    return folder


def stitch_dng(card: Path, out: Path, *more: str) -> Path:
    """The linear DNG of it."""
    assert run(["stitch", str(card), "--as", "linear-dng", "--out", str(out), "--quiet", *more]) == 0
    return out


def dng_light(path: Path) -> NDArray[np.float64]:
    """Camera light in the set's white level, as LibRaw reads the samples."""
    with rawpy.RawPy() as raw:
        raw.open_file(str(path))
        return np.asarray(raw.raw_image[..., :3], float) / 65535.0 * (headroom(path) or 1.0)


def headroom(path: Path) -> float | None:
    picture = read_report(report_path(path)).picture
    assert picture is not None
    return picture.headroom
