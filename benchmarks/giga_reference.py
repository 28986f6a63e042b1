"""Beside OpenCV's high-level stitching class on the set of five rows, also where it fails, and how."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from belvedere.demo.truth import read_truth
from benchmarks.command import Limits, Ran
from benchmarks.reference import Found, find
from benchmarks.table import Figure

LIMITS = Limits(resident_bytes=5.5 * 2**30, seconds=3600.0)
"""Of the class; nearly twice the memory that Belvedere may take on the full set."""

_RESOLUTIONS = (None, -1.0)  # megapixels it registers at: as it comes; the frames' own


def beside(
    frames: Path, megapixels: float, room: Path, ours: Ran, limits: Limits = LIMITS
) -> Iterator[Figure]:
    """How the class fares on a set of frames, as rows without bars.

    A failure is a row like any other: frames used are then 0, and the note says how it ended.

    Parameters
    ----------
    frames : Path
        The set with its truth.
    megapixels : float
        Million pixels a frame.
    room : Path
        Folder for its picture.
    ours : Ran
        `belvedere stitch` on the same frames.
    limits : Limits
        What the class may take before it is stopped.
    """
    known = read_truth(frames)
    for resolution in _RESOLUTIONS:
        found = find(frames, megapixels=resolution, out=room / "reference.tif", limits=limits)
        where = "as it comes" if resolution is None else "registering at the frames' own pixels"
        name = f"OpenCV's class, 70 frames of {megapixels:.3g}, {where}"
        used = len(found.told["used"]) if found.status == "OK" else 0
        yield Figure(f"{name}: frames used of 70", used, note=_words(found, ours))
        if used > 1:
            apart = found.disagreement_px(known)
            thrown = len(found.thrown(known))
            yield Figure(
                f"{name}: overlapping frames disagree, median",
                float(np.median(apart)),
                "px",
                note=f"RMS {np.sqrt(np.mean(apart**2)):.3g}; {thrown} frames more than 10 degrees off",
            )
        if found.ran.stopped or used == 70:
            break  # finer registration takes more of everything


def _words(found: Found, ours: Ran) -> str:
    size = found.told.get("size")
    made = f", a picture of {size[0]} x {size[1]} px" if size else ""
    return f"{found.status}{made}; {_taken(found.ran)}; ours {_taken(ours)}"


def _taken(ran: Ran) -> str:
    """Time and memory of a run."""
    return (
        f"{ran.seconds:.0f} s ({ran.processor_s:.0f} s of processor time), {ran.peak_bytes / 2**30:.2f} GiB"
    )
