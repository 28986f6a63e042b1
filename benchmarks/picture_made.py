"""A picture that `belvedere stitch` made, opened again with all it was made from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.compose.light import FrameLight, frame_light
from belvedere.compose.report import Report
from belvedere.compose.seams import Seams, owners
from belvedere.demo.truth import Truth, read_truth
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.pipeline.results import Layout
from belvedere.tone.tone import Tone
from benchmarks.command import Ran, kept, report_of, stitch


@dataclass(frozen=True)
class Made:
    """A picture and what it was made from.

    Parameters
    ----------
    ran : Ran
        Of the command.
    codes : ndarray (height, width, 4), uint16
        As in the file: encoded colour and coverage.
    truth, report, tone, plate, seams
        Of the set and the run.
    cameras : dict
        Solved cameras by frame.
    """

    ran: Ran
    folder: Path
    codes: NDArray[np.uint16]
    truth: Truth
    report: Report
    cameras: dict[int, Camera]
    tone: Tone
    plate: Plate
    seams: Seams

    def owners(self, x0: int, y0: int, width: int, height: int) -> NDArray[np.int16]:
        """Frame of the set that owns each pixel of a rectangle of the plate; -1: none."""
        numbers = np.array([*self.cameras, -1], dtype=np.int16)
        labels = owners(self.seams, self.plate, list(self.cameras.values()), x0, y0, width, height)
        return np.asarray(numbers[labels])

    def light(self, frame: int) -> FrameLight:
        """What turns a frame's codes into scene light."""
        return frame_light(self.tone, self.cameras[frame], frame)

    @property
    def to_linear(self) -> NDArray[np.float32]:
        """The response the picture is encoded by: the first used frame's."""
        first = next(f for f in self.tone.frames if f is not None)
        return self.tone.responses[first.response].to_linear


def make(folder: Path, out: Path, *options: object) -> Made:
    """Stitch a set in a fresh process and open what it left."""
    ran = stitch(folder, out, *options)
    alignment = kept(out, "alignment", Alignment)
    return Made(
        ran,
        folder,
        np.asarray(tifffile.imread(out)),
        _in_order(read_truth(folder), report_of(out)),
        report_of(out),
        {i: p.camera for i, p in enumerate(alignment.frames) if p.camera is not None},
        kept(out, "tone", Tone),
        kept(out, "plate", Layout).plate,
        kept(out, "seams", Seams),
    )


def _in_order(known: Truth, report: Report) -> Truth:
    """The truth, once it is sure that its frames are the report's, in its order."""
    if [f.file for f in report.frames] != known.files:
        raise ValueError("the frames of the report are not those of the truth in their order")
    return known
