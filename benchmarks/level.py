"""How level the world comes out: by a sea horizon, and by the pan axis alone with its stated sigma."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.align.level import estimate_level
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.demo.place import Place
from belvedere.demo.render import truth
from belvedere.demo.sets import set_spec
from belvedere.geometry.rotation import pose_matrix
from benchmarks.against_truth import turn_to_truth
from benchmarks.sets import Setting, seeds
from benchmarks.solved import align, cameras_of, opened
from benchmarks.table import Figure

_MOST_MEGAPIXELS = 6.0  # of the sets with a sea: their horizons are found on copies of 0.3 megapixels
_SEA_SEEDS = 3
_PAN_SEEDS = 50
_HONEST = (0.67, 1.5)  # RMS of errors over stated sigmas; common practice, no published source
_SEA_YAW_DEG = 60.0

# A sea of 64 degrees stands wholly in a row of seven, one of 200 degrees fills a row of twelve.
SEAS = (("sea-horizon", 64.0), ("sea-horizon", 100.0), ("sea-horizon-180", 200.0))


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name, width in SEAS:
        yield from _sea(setting, name, width)
    yield from _pan_axis(setting)


def _sea(setting: Setting, name: str, width: float) -> Iterator[Figure]:
    roll, tilt, sigmas, found = [], [], [], []
    for seed in seeds(setting, _SEA_SEEDS):
        place = Place(seed=seed, sea_yaw_deg=_SEA_YAW_DEG, sea_width_deg=width)
        megapixels = min(setting.megapixels, _MOST_MEGAPIXELS)
        folder = setting.rendered(name, megapixels=megapixels, seed=seed, place=place)
        with opened(folder, setting.room("level")) as shot:
            alignment = align(shot.source, shot.frames)
            down = turn_to_truth(shot.truth, cameras_of(alignment)) @ np.array([0.0, 1.0, 0.0])
        found.append(alignment.level.source)
        sigmas.append(math.degrees(alignment.level.sigma_rad))
        tilt.append(_off_plumb_deg(down))
        roll.append(abs(_roll_deg(down, math.radians(_SEA_YAW_DEG))))
    words = f"{len(roll)} seeds; from {', '.join(sorted(set(found)))}; stated sigma {max(sigmas):.3f} deg"
    yield Figure(f"sea over {width:.0f} deg of yaw: roll, worst", max(roll), "deg", 0.1, note=words)
    yield Figure(
        f"sea over {width:.0f} deg of yaw: whole tilt, worst",
        max(tilt),
        "deg",
        0.1 if width >= 180.0 else None,
    )


def _pan_axis(setting: Setting) -> Iterator[Figure]:
    """Cameras alone, no pixels: the demo's true cameras in a world turned at random."""
    normal, said, other = [], 0, 0
    for seed in seeds(setting, _PAN_SEEDS):
        known = truth(set_spec(("row", "rows-3x5", "full-turn")[seed % 3], megapixels=0.02, seed=seed))
        rng = np.random.default_rng([seed, 0x1E7])
        world = pose_matrix(*rng.normal(0.0, [1.0, 0.15, 0.15]))
        cameras = [c.with_rotation(c.rotation @ world.T) for c in known.cameras]
        grey = np.full((cameras[0].height, cameras[0].width, 3), 128, np.uint8)
        frames = [
            Frame((Exposure(Path(f.file), Metadata(f.camera.width, f.camera.height)),)) for f in known.frames
        ]
        source = FramesInMemory([grey] * len(frames))
        turn, level = estimate_level(source, frames, range(len(frames)), cameras)
        up = -(world.T @ turn[1])  # the levelled world's down is its second row
        apart = math.atan2(
            float(np.linalg.norm(np.cross(up, known.pan_axis))), float(up @ np.array(known.pan_axis))
        )
        normal.append(apart / level.sigma_rad)
        said += "head out of level stays" in level.words
        other += level.source != "pan-axis"
    worst, rms = max(normal), float(np.sqrt(np.mean(np.square(normal))))
    count = len(normal)
    yield Figure(f"pan axis alone, {count} seeds: worst error over stated sigma", worst, "", 3.0)
    yield Figure(f"pan axis alone, {count} seeds: RMS error over stated sigma", rms, "", _HONEST)
    yield Figure(f"pan axis alone: seeds of {count} with another source named", other, "", 0, "==")
    yield Figure(f"pan axis alone: seeds of {count} that say the head's tilt stays", said, "", count, "==")


def _off_plumb_deg(down: NDArray[np.float64]) -> float:
    return math.degrees(math.atan2(math.hypot(down[0], down[2]), down[1]))


def _roll_deg(down: NDArray[np.float64], yaw: float) -> float:
    """Tilt about the direction of sight at a yaw."""
    return math.degrees(math.atan2(down[0] * math.cos(yaw) - down[2] * math.sin(yaw), down[1]))
