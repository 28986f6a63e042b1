"""Where gravity points, on the best evidence there is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Level
from belvedere.capture.frame import Frame
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera


def estimate_level(
    source: FrameSource, frames: Sequence[Frame], used: Sequence[int], cameras: Sequence[Camera]
) -> tuple[NDArray[np.float64], Level]:
    """Find the turn (3 x 3) that levels the world of `cameras`, and say what it rests on.

    Yaw 0 becomes the direction the middle frame of the turn looked in.
    """
    x = np.stack([c.rotation[0] for c in cameras])
    y = np.stack([c.rotation[1] for c in cameras]).mean(axis=0)
    values, vectors = np.linalg.eigh(x.T @ x)
    down = vectors[:, 0] if values[1] > 0.02 * len(x) else y - (y @ x.mean(axis=0)) * x.mean(axis=0)
    down = down * np.sign(down @ y) / np.linalg.norm(down)
    z = np.stack([c.rotation[2] for c in cameras]).mean(axis=0)
    right = np.cross(down, z)
    right /= np.linalg.norm(right)
    turn = np.stack([right, down, np.cross(right, down)])
    return turn, Level("pan-axis", float(np.radians(0.5)), "from the pan axis")
