"""Sets without Exif, and with a focal-length tag that is wrong: what the pictures alone tell."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from benchmarks import against_truth
from benchmarks.sets import Setting, with_tag_off, without_exif
from benchmarks.solved import align, cameras_of, opened
from benchmarks.table import Figure

SETS = ("row", "rows-3x5", "full-turn")
_WRONG = 1.15


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name in SETS:
        with opened(setting.rendered(name), setting.room("no-exif")) as shot:
            bare = tuple(without_exif(frame) for frame in shot.frames)
            wrong = tuple(with_tag_off(frame, _WRONG) for frame in shot.frames)
            for words, frames in (("no Exif", bare), ("tag 15 % long", wrong)):
                found = align(shot.source, frames)
                true = shot.truth.frames[0].camera.focal_px
                start = max(abs(found.lenses[p.lens].focal_start_px / true - 1.0) for p in found.frames)
                cameras = cameras_of(found)
                final = float(np.abs(against_truth.focal_errors(shot.truth, cameras)).max())
                apart = against_truth.disagreement_px(shot.truth, cameras)
                count = len(frames)
                note = f"frames disagree by {np.sqrt(np.mean(apart**2)):.3f} px RMS"
                yield Figure(f"{name}, {words}: initial focal length off", 100.0 * start, "%", 3.0)
                yield Figure(f"{name}, {words}: final focal length off", 100.0 * final, "%", 0.2)
                yield Figure(
                    f"{name}, {words}: frames used of {count}", len(cameras), "", count, "==", note=note
                )
