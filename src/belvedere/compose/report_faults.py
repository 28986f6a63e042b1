"""What in a report cannot be true, though every value is of its type."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import msgspec

if TYPE_CHECKING:
    from belvedere.compose.report import FrameReport, Report


def report_faults(report: Report) -> Iterator[str]:
    """Everything in a well-typed report that cannot be true, each with its place."""
    for i, frame in enumerate(report.frames):
        yield from (f"frames[{i}] {fault}" for fault in _frame_faults(frame, len(report.lenses)))
    n = len(report.frames)
    for i, overlap in enumerate(report.quality.overlaps):
        if not overlap.a < overlap.b < n:
            yield f"quality.overlaps[{i}] needs a < b < {n}, has {overlap.a} and {overlap.b}"
    for i, block in enumerate(report.components):
        if any(frame >= n for frame in block.frames):
            yield f"components[{i}] names a frame that is not in frames"
    if report.plate.projection == "pannini" and report.plate.d is None:
        yield "plate.d is missing for pannini"
    for i, hole in enumerate(report.coverage.holes):
        x0, y0, x1, y1 = hole.plate_rect
        if not (x0 < x1 and y0 < y1):
            yield f"coverage.holes[{i}].plate_rect is empty"
    yield from (f"{place} is not finite" for place in _not_finite(msgspec.to_builtins(report), ""))


def _frame_faults(frame: FrameReport, lenses: int) -> Iterator[str]:
    if frame.lens >= lenses:
        yield f"names lens {frame.lens} of {lenses}"
    if not frame.exposures:
        yield "has no exposures"
    if not frame.used:
        if not frame.reason:
            yield "is left out without a reason"
        return
    if frame.reason:
        yield "is used and has a reason why it is left out"
    camera = ("focal_px", "principal_point", "distortion", "rotation_wxyz", "placed_by")
    tone = ("gain", "white_balance", "vignetting")
    missing = [name for name in camera + tone if getattr(frame, name) is None]
    if missing:
        yield "is used and lacks " + ", ".join(missing)
    q = frame.rotation_wxyz
    if q is not None and not (abs(math.hypot(*q) - 1.0) < 1e-6 and q[0] >= 0.0):
        yield "has a rotation_wxyz that is no unit quaternion with w >= 0"


def _not_finite(value: Any, place: str) -> Iterator[str]:
    if isinstance(value, float):
        if not math.isfinite(value):
            yield place
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _not_finite(item, f"{place}.{key}" if place else str(key))
    elif isinstance(value, (list, tuple)):
        for i, item in enumerate(value):
            yield from _not_finite(item, f"{place}[{i}]")
