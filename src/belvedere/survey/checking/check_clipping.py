"""Clipped highlights, over the set as a whole: what lies at the top of the scale has no tone left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.start import Mapper
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import listed
from belvedere.survey.checking.overlap_field import cameras_of, copy_level

CLIPPED = 0.99
"""Code value (0 to 1) from which a pixel of a reduced copy is at the top of the scale.

Common practice, no published source.
"""
# Shares of the set's field; common practice, no published source.
_WORTH = 0.002
_RISK = 0.01
_SUN_RAD = math.radians(6.0)  # across: sun, its glare or a reflection; the sun itself is 0.53 degrees across
_PIXELS = 400_000
_GRID = 48


@dataclass(frozen=True, slots=True)
class Clipped:
    """What of one frame is clipped.

    Parameters
    ----------
    share : float
        Share of pixels with any channel clipped.
    white : float
        With all three channels clipped.
    whole : float
        Share of the field it adds to the set: pixels that other frames show too count less.
    field : float
        The frame's own share of the set's field, in frames.
    largest_rad : float
        How wide the largest clipped spot is.
    spots : int
        How many spots wider than a fifth of a degree.
    """

    share: float
    white: float
    whole: float
    field: float
    largest_rad: float
    spots: int


def examine_clipping(checked: Checked, *, run: Mapper = map) -> tuple[Finding, ...]:
    """Look for clipped highlights.

    Returns
    -------
    tuple of Finding
        "clipping": one for the set, `clipped_fraction` of all it shows (what several frames show counted
        once), `white_fraction` of its pixels with nothing left in any channel. A risk from 1 % on; small
        bright spots, the sun, are a note.
    """
    cameras = cameras_of(checked)

    def one(frame: int) -> Clipped:
        return _clipped(checked.source, frame, cameras)

    found = tuple(run(one, range(len(checked.frames))))
    field = sum(c.field for c in found)
    if field <= 0.0:
        return ()
    share = sum(c.whole for c in found) / field
    white = float(np.mean([c.white for c in found]))
    which = [i for i, c in enumerate(found) if c.share > _WORTH]
    if not which or share < _WORTH / 4.0:
        return ()
    which.sort(key=lambda i: (-found[i].share, i))
    return (_finding(checked.frames, found, which, share, white),)


def _clipped(source: FrameSource, frame: int, cameras: dict[int, Camera]) -> Clipped:
    level = copy_level(source, frame, _PIXELS)
    codes = source.whole(frame, level)
    top = 255 if codes.dtype == np.uint8 else 65535
    over = codes >= math.floor(CLIPPED * top)
    any_channel: NDArray[np.bool_] = np.asarray(over.any(axis=2))
    all_channels: NDArray[np.bool_] = np.asarray(over.all(axis=2))
    share, white = float(np.mean(any_channel)), float(np.mean(all_channels))
    camera = cameras.get(frame)
    once = _once(camera, [c for i, c in cameras.items() if i != frame]) if camera is not None else None
    if once is None:
        whole, field = share, 1.0
    else:
        part = cv2.resize(any_channel.astype(np.float32), (_GRID, _GRID), interpolation=cv2.INTER_AREA)
        whole, field = float(np.mean(np.asarray(part) * once)), float(np.mean(once))
    largest, spots = _spots(any_channel, _pixel_rad(camera, level)) if share > 0.0 else (0.0, 0)
    return Clipped(share, white, whole, field, largest, spots)


def _once(camera: Camera, others: Sequence[Camera]) -> NDArray[np.float64]:
    """One over how many frames show each cell (48 x 48) of a frame."""
    x = (np.arange(_GRID) + 0.5) / _GRID * camera.width - 0.5
    y = (np.arange(_GRID) + 0.5) / _GRID * camera.height - 0.5
    rays = camera.rays(np.stack(np.meshgrid(x, y), axis=-1))
    axis, reach = camera.rotation[2], math.atan(camera.half_diagonal_px / camera.focal_px)
    count = np.ones((_GRID, _GRID))
    for other in others:
        wide = reach + math.atan(other.half_diagonal_px / other.focal_px)
        if float(axis @ other.rotation[2]) > math.cos(min(math.pi, 1.1 * wide)):
            count += other.project(rays)[1]
    return np.asarray(1.0 / count)


def _pixel_rad(camera: Camera | None, level: int) -> float:
    return 2.0**level / camera.focal_px if camera is not None else math.nan


def _spots(clipped: NDArray[np.bool_], pixel_rad: float) -> tuple[float, int]:
    """Width of the largest connected spot, rad, and how many are wider than a fifth of a degree."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(clipped.astype(np.uint8), connectivity=8)
    if count < 2 or not math.isfinite(pixel_rad):
        return math.nan, count - 1
    width = np.maximum(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT]) * pixel_rad
    return float(width.max()), int(np.count_nonzero(width > math.radians(0.2)))


def _finding(
    frames: Sequence[Frame], found: Sequence[Clipped], which: Sequence[int], share: float, white: float
) -> Finding:
    numbers = {
        "clipped_fraction": share,
        "white_fraction": white,
        "worst_fraction": found[which[0]].share,
        "frames": float(len(which)),
    }
    widest = max(found[i].largest_rad for i in which)
    if widest <= _SUN_RAD and share < _RISK:
        numbers["spot_deg"] = math.degrees(widest)
        words = (
            f"small bright spots are clipped, up to {math.degrees(widest):.1f} degrees wide, as the sun or "
            f"its glare is ({listed(frames, sorted(which))}); nothing to do unless they matter"
        )
        return Finding("clipping", "note", tuple(sorted(which)), words, numbers)
    grave: Grave = "risk" if share >= _RISK else "note"
    what = f"highlights are clipped over {100.0 * share:.1f} % of the whole picture"
    worst = f"most in {listed(frames, which[:1])}, {100.0 * found[which[0]].share:.0f} %"
    remedy = "expose the whole set shorter by a third to a full stop if tone is wanted there"
    return Finding("clipping", grave, tuple(sorted(which)), f"{what}, {worst}; {remedy}", numbers)
