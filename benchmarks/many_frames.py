"""A very long set: time and memory of the alignment, in a process of its own.

Usage of that process: python -m benchmarks.many_frames FOLDER SCRATCH COUNT
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from belvedere.capture.frame_store import FrameStore
from belvedere.demo.spec import ShootingOrder
from belvedere.demo.truth import read_truth
from belvedere.pipeline.decoding import fill_store
from belvedere.pipeline.schedule import Threads
from benchmarks.against_truth import place_errors
from benchmarks.sets import Setting, frames_of, processors
from benchmarks.solved import align, cameras_of
from benchmarks.table import Figure

_FRAMES = 2000
_ROWS, _COLUMNS = 10, 200
_MEGAPIXELS = 0.3
_CACHE = 128 << 20


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    folder = setting.rendered(
        "row",
        megapixels=_MEGAPIXELS,
        rows=_ROWS,
        columns=_COLUMNS,
        full_turn=True,
        focal_mm=510.0,
        pitch_deg=-9.0,
        scatter_deg=0.03,
        order=ShootingOrder(serpentine=True),
    )
    command = [
        sys.executable,
        "-m",
        "benchmarks.many_frames",
        str(folder),
        str(setting.room("many")),
        str(_FRAMES),
    ]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    found = json.loads(ran.stdout.splitlines()[-1])
    note = f"worst off by {found['worst']:.2g} of its long side; decoded before in {found['decode_s']:.0f} s"
    yield Figure(
        f"{_FRAMES} frames of {_MEGAPIXELS} MP: align", found["align_s"] / 60.0, "min", 15.0, note=note
    )
    yield Figure(f"{_FRAMES} frames: peak memory", found["peak_bytes"] / 2**30, "GiB", 2.0)
    yield Figure(f"{_FRAMES} frames: used", found["used"], "", _FRAMES, "==")
    yield Figure(f"{_FRAMES} frames: off without a doubt", found["silent"], "", 0, "==")


def _once(folder: Path, scratch: Path, count: int) -> dict[str, float]:
    """Decode the first frames of a set, align them, and hold them against the truth."""
    known = read_truth(folder)
    frames = frames_of(folder, known)[:count]
    scratch.mkdir(parents=True, exist_ok=True)
    store = FrameStore(scratch, frames, cache_bytes=_CACHE)
    try:
        began = time.perf_counter()
        fill_store(store, len(frames), Threads(processors()), lambda share: None)
        decoded = time.perf_counter()
        alignment = align(store, frames)
        done = time.perf_counter()
    finally:
        store.close()
        for file in scratch.glob("*.tiles"):
            file.unlink()
    cameras = cameras_of(alignment)
    errors = place_errors(known, cameras)
    silent = sum(e > 5e-4 and alignment.frames[i].doubt is None for i, e in zip(cameras, errors, strict=True))
    return {
        "decode_s": decoded - began,
        "align_s": done - decoded,
        "peak_bytes": 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
        "used": len(cameras),
        "doubted": sum(p.doubt is not None for p in alignment.frames),
        "worst": float(np.max(errors)),
        "silent": float(silent),
    }


if __name__ == "__main__":
    print(json.dumps(_once(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))))
