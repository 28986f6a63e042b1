"""A panorama as linear DNG: developed by LibRaw with another white balance as its raw files are.

Rows of simulated raw files, with vignetting, steps of exposure that tags tell and others that none tells,
and a white balance as shot that is not the light's. Bars of a hundredth and of 0.5 CIEDE2000: the promise's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rawpy
from numpy.typing import NDArray

from belvedere.compose.report import Report, read_report, report_path
from belvedere.demo.faults import Fault
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec, SimulatedBody
from benchmarks.command import stitch
from benchmarks.linear_compared import (
    Compared,
    Triple,
    clipped_squares,
    compare_frame,
    compare_with_itself,
    joined,
    lab,
    picture_light,
)
from benchmarks.sets import Setting
from benchmarks.table import Figure

BALANCES: tuple[Triple, ...] = ((1.5, 1.0, 1.9), (2.9, 1.0, 1.1))
"""Multipliers of red, green and blue set instead of those as shot: for colder and for warmer light."""

_MOST_MEGAPIXELS = 3.0
_COLUMNS = 4
_SQUARES_ACROSS = 80  # of a frame's shorter side, about


@dataclass(frozen=True, slots=True)
class Made:
    """A linear DNG and what it was made of."""

    dng: Path
    report: Report
    sources: Path

    @property
    def headroom(self) -> float:
        """Light at its highest code."""
        assert self.report.picture is not None
        return self.report.picture.headroom or 1.0

    def light(self, balance: Triple) -> NDArray[np.float32]:
        """The panorama developed with a balance; 1 is the camera's white level."""
        return picture_light(self.dng, balance, self.headroom)

    def compare(self, balance: Triple, square: int) -> Compared:
        """All frames' squares, with one balance."""
        light = self.light(balance)
        return joined(
            [
                compare_frame(
                    light, self.report, i, self.sources / frame.file, balance, self.headroom, square
                )
                for i, frame in enumerate(self.report.frames)
                if frame.used
            ]
        )

    def itself(self, balance: Triple, square: int) -> Compared:
        """The same squares of the raw files alone, their balance set before and after development."""
        files = [self.sources / frame.file for frame in self.report.frames if frame.used]
        return joined([compare_with_itself(file, balance, square) for file in files])

    def clipped_as_shot(self, square: int) -> NDArray[np.float64]:
        """Colours (n, 3), developed as shot, where a frame's sensor was full in some channels."""
        with rawpy.imread(str(self.dng)) as raw:
            red, green, blue = raw.camera_whitebalance[:3]
        light = self.light((red, green, blue))
        return np.concatenate(
            [
                clipped_squares(light, self.report, i, self.sources / frame.file, square)
                for i, frame in enumerate(self.report.frames)
                if frame.used
            ]
        )


def row_of_raw_files(
    megapixels: float,
    *,
    columns: int = _COLUMNS,
    noise: bool = False,
    blur_px: float = 0.0,
    brightness: float = 0.88,
) -> SetSpec:
    """A row with vignetting, told and untold steps of exposure, and a balance as shot off the light's."""
    return set_spec(
        "row",
        megapixels=megapixels,
        columns=columns,
        raw="dng",
        brightness=brightness,
        exposure_ev=(0.0, 1.0 / 3.0, -1.0 / 3.0),
        drift_ev=(0.0, 0.08, -0.06, 0.03),
        body=SimulatedBody() if noise else SimulatedBody(full_well=0.0),
        faults=tuple(Fault(i, white_balance=(1.12, 0.9), defocus_px=blur_px) for i in range(columns)),
    )


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    megapixels = min(setting.megapixels, _MOST_MEGAPIXELS)
    square = max(8, round((megapixels * 1e6 / 1.5) ** 0.5 / _SQUARES_ACROSS / 2) * 2)
    folder = setting.room("linear")
    clean = _made(row_of_raw_files(megapixels, blur_px=3.0 * square / 8), folder / "clean")
    for balance in BALANCES:
        yield from _colours("no noise, soft", clean, balance, square)
    real = _made(row_of_raw_files(megapixels, noise=True), folder / "noise")
    for balance in BALANCES:
        yield from _colours("noise, sharp", real, balance, square)
    bright = _made(row_of_raw_files(megapixels, brightness=1.9), folder / "bright")
    colours = bright.clipped_as_shot(square)
    words = f"{len(colours)} squares of {square} px"
    spread = np.ptp(colours, axis=1) / colours.mean(axis=1)
    chroma = np.hypot(*lab(colours / colours.max(axis=1, keepdims=True))[:, 1:].T)
    yield Figure(
        "clipped in some channels: unlike channels, worst", 100.0 * spread.max(), "%", 1.0, note=words
    )
    yield Figure("clipped in some channels: chroma C*, worst", chroma.max(), "", 1.0, note=words)


def _made(spec: SetSpec, folder: Path) -> Made:
    write_set(spec, folder)
    dng = folder.with_suffix(".dng")
    stitch(folder, dng, "--as", "linear-dng")
    return Made(dng, read_report(report_path(dng)), folder)


def _colours(name: str, made: Made, balance: Triple, square: int) -> Iterator[Figure]:
    whole, alone = made.compare(balance, square), made.itself(balance, square)
    name = f"{name}, balance {balance[0]:g}:{balance[2]:g}"
    even, own = whole.even(), alone.even()
    words = (
        f"{len(even.linear)} even squares of {square} px; LibRaw with itself {_percent(own.linear, 99):.2f}"
    )
    yield Figure(f"{name}: linear, median", _percent(even.linear, 50), "%", 1.0)
    yield Figure(f"{name}: linear, 99th percentile", _percent(even.linear, 99), "%", 1.0, note=words)
    yield Figure(f"{name}: CIEDE2000, mean", float(even.colour.mean()), "", 0.5)
    words = f"{len(whole.linear)} squares; LibRaw with itself"
    yield Figure(
        f"{name}: all squares: linear, median",
        _percent(whole.linear, 50),
        "%",
        1.0,
        note=f"{words} {_percent(alone.linear, 50):.2f}; 99th percentile {_percent(whole.linear, 99):.1f}, "
        f"itself {_percent(alone.linear, 99):.1f}",
    )
    yield Figure(
        f"{name}: all squares: CIEDE2000, mean",
        float(whole.colour.mean()),
        "",
        0.5,
        note=f"{words} {alone.colour.mean():.2f}",
    )


def _percent(values: NDArray[np.float64], percentile: float) -> float:
    return float(100.0 * np.percentile(values, percentile))
