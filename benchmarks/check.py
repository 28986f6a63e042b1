"""What a check of a set finds, and that it invents nothing."""

from __future__ import annotations

from collections.abc import Iterator

from benchmarks import check_command, check_geometry, check_pixels, check_tilt
from benchmarks.sets import Setting
from benchmarks.table import Figure


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    yield from check_geometry.measure(setting)
    yield from check_tilt.measure(setting)
    yield from check_pixels.measure(setting)
    yield from check_command.measure(setting)
