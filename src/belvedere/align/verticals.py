"""Plumb lines of buildings."""

from __future__ import annotations

from collections.abc import Sequence

from belvedere.align.level_evidence import Evidence
from belvedere.align.start import Mapper
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera


def find_verticals(
    source: FrameSource,
    used: Sequence[int],
    cameras: Sequence[Camera],
    rough: Evidence,
    run: Mapper = map,
) -> Evidence | None:
    """Find plumb lines and the level they give, or None."""
    return None
