"""Whether what a run takes on disk fits there, asked before it starts."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.frame import Frame
from belvedere.capture.tile_file import SPARE_BYTES
from belvedere.compose.finished_file import disk_space, free_bytes
from belvedere.errors import OutputFailed
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.scratch_estimate import estimate_scratch


@dataclass(frozen=True, slots=True)
class Need:
    """Bytes still to be written to a folder, and what they are."""

    folder: Path
    what: str
    bytes: int


def check_room(frames: Sequence[Frame], options: StitchOptions) -> None:
    """Raise OutputFailed if the disks are surely too small; what earlier runs left there counts as written.

    Parameters
    ----------
    frames : sequence of Frame
        That will be decoded.
    options : StitchOptions
    """
    sizes = [(f.metadata.width, f.metadata.height, f.metadata.bits) for f in frames]
    found = estimate_scratch(sizes, picture_bits=None if options.preview else options.bits)
    work, out = options.work_folder, options.out.absolute()
    kept = _bytes_of(work / "frames", "*.tiles")
    grown = _bytes_of(out.parent, f".{out.name}.part-*")
    check_needs(
        [
            Need(work, "for the frames, decoded, in the work folder", max(0, found.work_bytes - kept)),
            Need(work, "for exposures while they are merged", exposures_bytes(frames)),
            Need(out.parent, "for the picture", max(0, found.picture_bytes - grown)),
        ]
    )


def exposures_bytes(frames: Sequence[Frame]) -> int:
    """Bytes of the decoded exposures of the largest pose that is merged; 0 where none is."""
    return max(
        (
            sum(e.metadata.width * e.metadata.height * 3 * e.metadata.bits // 8 for e in frame.exposures)
            for frame in frames
            if len(frame.exposures) > 1
        ),
        default=0,
    )


def check_needs(needs: Sequence[Need]) -> None:
    """Raise OutputFailed if a disk has less free than what is to be written to it."""
    disks: dict[int, list[Need]] = {}
    for need in needs:
        if need.bytes:
            disks.setdefault(need.folder.stat().st_dev, []).append(need)
    for own in disks.values():
        wanted = sum(need.bytes for need in own)
        free = free_bytes(own[0].folder)
        if free >= wanted + SPARE_BYTES:
            continue
        parts = " and ".join(f"{disk_space(need.bytes)} {need.what}" for need in own)
        raise OutputFailed(
            f"{own[0].folder}: the disk is too full: this takes at least {parts}, and {disk_space(free)} is "
            "free. Free some space, or choose a folder on another disk with --work FOLDER. "
            "The work folder's space is free again when the picture is done."
        )


def _bytes_of(folder: Path, pattern: str) -> int:
    total = 0
    for file in folder.glob(pattern):
        with suppress(OSError):
            total += file.stat().st_size
    return total
