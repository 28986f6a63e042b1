"""Steps of tone across the seams of a picture, measured in flat places and beside lines without a seam.

At a place on a seam the step is log2 of the mean light of a strip on one side over that on the other, less
the mean of the same measured a little to either side, where one frame is shown: what the scene itself does
there. The median over a piece of seam is the piece's step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.picture_made import Made

_STRIP = 10  # px averaged on either side
_GAP = 2  # px left out next to the seam
_BESIDE = 2 * (_STRIP + _GAP)  # px from the seam to the lines beside it
_PIECE = 48  # px along the seam in one piece
_FLAT_EV = 0.06  # RMS of the steps beside a seam, at most, for a piece to count
_SURE_EV = 0.004  # one sigma of a piece's median


@dataclass(frozen=True, slots=True)
class SeamSteps:
    """Absolute steps of pieces of seam, and of lines that are no seam, EV; share of pieces that are flat."""

    seams: NDArray[np.float64]
    beside: NDArray[np.float64]
    flat_share: float


def measure_seam_steps(made: Made, band: int = 512) -> SeamSteps:
    """Measure every piece of upright or level seam in the picture that lies in a flat place."""
    light = _luminance(made)
    height, width = light.shape
    found: list[float] = []
    beside: list[float] = []
    pieces = 0
    own = np.concatenate([made.owners(0, y, width, min(band, height - y)) for y in range(0, height, band)])
    for value, frame in ((light, own), (light.T, own.T)):
        on, off, count = _pieces(value, frame)
        found += on
        beside += off
        pieces += count
    return SeamSteps(np.abs(found), np.abs(beside), len(found) / max(pieces, 1))


def _luminance(made: Made) -> NDArray[np.float32]:
    """log2 of linear light, (height, width); NaN where nothing is shown, too dark or too bright."""
    knots = np.linspace(0.0, 1.0, 1025)
    out = np.empty(made.codes.shape[:2], np.float32)
    for y in range(0, len(out), 256):
        codes = made.codes[y : y + 256].astype(np.float32) / np.float32(65535)
        linear = np.interp(codes[..., :3], knots, made.to_linear) @ np.array([0.25, 0.5, 0.25])
        good = (codes[..., 3] == 1.0) & (linear > 0.01) & (codes[..., :3].max(axis=-1) < 0.97)
        out[y : y + 256] = np.where(good, np.log2(np.maximum(linear, 1e-6)), np.nan)
    return out


def _pieces(value: NDArray[np.float32], own: NDArray[np.int16]) -> tuple[list[float], list[float], int]:
    """Steps of upright seams, of lines beside them, and how many pieces there were."""
    height, width = value.shape
    reach = _BESIDE + _STRIP + _GAP + 1
    change = (own[:, 1:] != own[:, :-1]) & (own[:, 1:] >= 0) & (own[:, :-1] >= 0)
    on: list[float] = []
    off: list[float] = []
    pieces = 0
    for y in range(0, height - _PIECE, _PIECE):
        rows, columns = np.nonzero(change[y : y + _PIECE])
        rows = rows + y
        alone = (columns >= reach) & (columns < width - reach - 1)
        rows, columns = rows[alone], columns[alone]
        if not len(rows):
            continue
        # one frame on either side as far as is looked: nothing but this seam
        left, right = own[rows, columns], own[rows, columns + 1]
        for d in (2, _GAP + _STRIP, _BESIDE, reach - 1):
            same = (own[rows, columns - d] == left) & (own[rows, columns + 1 + d] == right)
            rows, columns, left, right = rows[same], columns[same], left[same], right[same]
        for a, b in {(int(i), int(j)) for i, j in zip(left, right, strict=True)}:
            these = (left == a) & (right == b)
            if these.sum() < _PIECE // 2:
                continue
            pieces += 1
            found = _piece(value, rows[these], columns[these])
            if found is not None:
                on.append(found[0])
                off.append(found[1])
    return on, off, pieces


def _piece(
    value: NDArray[np.float32], rows: NDArray[np.int64], columns: NDArray[np.int64]
) -> tuple[float, float] | None:
    """Step across a seam, and the same beside it; None where the place is not flat."""

    def step(at: NDArray[np.int64]) -> NDArray[np.float64]:
        side = np.arange(_GAP, _GAP + _STRIP)
        right = value[rows[:, None], (at + 1)[:, None] + side].mean(axis=1)
        left = value[rows[:, None], at[:, None] - side].mean(axis=1)
        return np.asarray(right - left, dtype=np.float64)

    here, before, after = step(columns), step(columns - _BESIDE), step(columns + _BESIDE)
    usable = np.isfinite(here) & np.isfinite(before) & np.isfinite(after)
    if usable.sum() < _PIECE // 2:
        return None
    across = (here - (before + after) / 2.0)[usable]
    both = np.concatenate([before[usable], after[usable]])
    if np.sqrt(np.mean(both**2)) > _FLAT_EV:
        return None
    sigma = 1.2533 * 1.4826 * np.median(np.abs(across - np.median(across))) / np.sqrt(len(across))
    if sigma > _SURE_EV:
        return None
    return float(np.median(across)), float(np.median((before - after)[usable])) / 2.0
