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

from belvedere.align.alignment import Alignment
from belvedere.capture.frame_store import FrameStore
from belvedere.demo.spec import ShootingOrder
from belvedere.demo.truth import Truth, read_truth
from belvedere.pipeline.decoding import fill_store
from belvedere.pipeline.schedule import Threads
from benchmarks.against_truth import frame_grid, place_errors
from benchmarks.sets import Setting, frames_of, processors
from benchmarks.solved import align, cameras_of
from benchmarks.table import Figure

_FRAMES = 2000
_ROWS, _COLUMNS = 10, 200
_MEGAPIXELS = 0.3
_CACHE = 128 << 20
_APART_PX = 1.0  # of a pair without a doubt
_OFF = 1e-3  # of a frame's long side, after the best turn of the whole: 0.7 px of so small a frame


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
    note = f"decoded before in {found['decode_s']:.0f} s"
    yield Figure(
        f"{_FRAMES} frames of {_MEGAPIXELS} MP: align", found["align_s"] / 60.0, "min", 15.0, note=note
    )
    yield Figure(f"{_FRAMES} frames: peak memory", found["peak_bytes"] / 2**30, "GiB", 2.0)
    yield Figure(f"{_FRAMES} frames: used", found["used"], "", _FRAMES, "==")
    name = f"{_FRAMES} frames: same point in overlapping frames, RMS"
    yield Figure(name, found["apart_px"], "px", 0.3, note=f"worst pair {found['worst_apart_px']:.2g} px")
    yield Figure(
        f"{_FRAMES} frames: off without a doubt",
        found["silent"],
        "",
        0,
        "==",
        note=f"{found['doubted']} in doubt; the worst other off by {found['worst']:.2g} of its long side",
    )


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
    errors = dict(zip(cameras, place_errors(known, cameras), strict=True))
    apart = _pairs_apart(known, alignment)
    sure = {i for i in cameras if alignment.frames[i].doubt is None}
    silent = {i for (a, b), px in apart.items() if px > _APART_PX for i in (a, b)} & sure
    silent |= {i for i in sure if errors[i] > _OFF}
    return {
        "decode_s": decoded - began,
        "align_s": done - decoded,
        "peak_bytes": 1024.0 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss,
        "used": len(cameras),
        "doubted": sum(p.doubt is not None for p in alignment.frames),
        "apart_px": float(np.sqrt(np.mean(np.square(list(apart.values()))))),
        "worst_apart_px": max(apart.values()),
        "worst": max((errors[i] for i in sure), default=0.0),
        "silent": len(silent),
    }


def _pairs_apart(known: Truth, found: Alignment) -> dict[tuple[int, int], float]:
    """How far apart the solved cameras of every tied pair see the same scene points, px, RMS over a grid."""
    cameras, out = cameras_of(found), {}
    for pair in found.pairs:
        true, other = known.frames[pair.a].camera, known.frames[pair.b].camera
        grid = frame_grid(true, 8)
        there, seen = other.project(true.rays(grid))
        if seen.any():
            off = cameras[pair.a].rays(grid[seen]) - cameras[pair.b].rays(there[seen])
            out[pair.a, pair.b] = float(np.sqrt(np.mean(np.sum(off**2, axis=1)))) * true.focal_px
    return out


if __name__ == "__main__":
    print(json.dumps(_once(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))))
