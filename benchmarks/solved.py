"""A demo set aligned and measured in this process through the rooms' public doors."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2

from belvedere.align.alignment import Alignment
from belvedere.align.estimate import estimate_alignment
from belvedere.align.options import AlignOptions
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.transfer import read_transfer
from belvedere.demo.truth import Truth, read_truth
from belvedere.geometry.camera import Camera
from belvedere.pipeline.decoding import fill_store
from belvedere.pipeline.schedule import Threads
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.tone import Tone
from benchmarks.sets import frames_of, processors


@dataclass(frozen=True, slots=True)
class Opened:
    """A rendered set with its frames decoded."""

    truth: Truth
    frames: tuple[Frame, ...]
    source: FrameSource


@contextmanager
def opened(folder: Path, scratch: Path) -> Iterator[Opened]:
    """Decode a rendered set into a store in `scratch`."""
    known = read_truth(folder)
    frames = frames_of(folder, known)
    store = FrameStore(scratch, frames, cache_bytes=512 << 20)
    try:
        failed = fill_store(store, len(frames), Threads(processors()), lambda share: None)
        if failed:
            raise ValueError(f"{frames[failed[0][0]].name}: {failed[0][1]}")
        yield Opened(known, frames, store)
    finally:
        store.close()
        for file in scratch.glob("*.tiles"):
            file.unlink()


def align(source: FrameSource, frames: tuple[Frame, ...]) -> Alignment:
    """The alignment as the command makes it."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        return estimate_alignment(source, frames, AlignOptions(), Threads(processors()))
    finally:
        cv2.setNumThreads(before)


def measure_tone(source: FrameSource, frames: tuple[Frame, ...], alignment: Alignment) -> Tone:
    """The tone as the command measures it."""
    return estimate_tone(source, frames, alignment, [read_transfer(f.metadata) for f in frames])


def cameras_of(alignment: Alignment) -> dict[int, Camera]:
    """Solved cameras by frame."""
    return {i: p.camera for i, p in enumerate(alignment.frames) if p.camera is not None}
