"""Beside OpenCV's high-level stitching class, a general-purpose library's, on the same full frames."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from belvedere.demo.truth import Truth, read_truth
from benchmarks.against_truth import disagreement_px, frame_grid
from benchmarks.command import NONE, Limits, Ran, python_module, run, stitch
from benchmarks.sets import Setting, seeds
from benchmarks.solved import align, cameras_of, opened
from benchmarks.table import Figure, not_measured

_RESOLUTIONS = (0.6, 2.0, 6.0, -1.0)  # megapixels it registers at; 0.6 is its own, -1 the frames' own
_SKY_SEEDS = 20
_SKY_MEGAPIXELS = 1.5
_THROWN_DEG = 10.0


@dataclass(frozen=True)
class Found:
    """What the class found, by frame: K (3 x 3) for the frames' own pixels, R (3 x 3) camera to world."""

    ran: Ran
    told: dict[str, Any]

    @property
    def status(self) -> str:
        if self.ran.stopped:
            step = (self.ran.errors.splitlines() or ["starting"])[-1]
            return f"{self.ran.stopped} while {step}"
        if self.ran.code != 0:
            return f"ended with {self.ran.code}"
        return str(self.told["status"])

    def rays(self, frame: int, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Unit world directions (n, 3) of a frame's pixels; it reduces frames with pixel areas kept."""
        own = self.told["cameras"][self.told["used"].index(frame)]
        at = (points + 0.5) * self.told["scale"] - 0.5
        rays = np.linalg.solve(np.array(own["K"]), np.column_stack([at, np.ones(len(at))]).T).T
        rays = rays @ np.array(own["R"]).T
        return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))

    def disagreement_px(self, known: Truth) -> NDArray[np.float64]:
        """As `against_truth.disagreement_px`."""
        out = []
        used = sorted(self.told["used"])
        for k, a in enumerate(used):
            true_a = known.frames[a].camera
            grid = frame_grid(true_a, 20)
            for b in used[k + 1 :]:
                there, seen = known.frames[b].camera.project(true_a.rays(grid))
                if seen.any():
                    apart = self.rays(a, grid[seen]) - self.rays(b, there[seen])
                    out.append(np.linalg.norm(apart, axis=1) * true_a.focal_px)
        return np.concatenate(out) if out else np.zeros(0)

    def thrown(self, known: Truth) -> list[int]:
        """Used frames whose sight line is off by tens of degrees after the best turn of the whole.

        The turn is the one that leaves most frames in place, tried from every frame.
        """
        used = sorted(self.told["used"])
        middle = [(np.array([[c.width, c.height]]) - 1) / 2 for c in (known.frames[i].camera for i in used)]
        true = np.stack([known.frames[i].camera.rays(m[0]) for i, m in zip(used, middle, strict=True)])
        seen = np.stack([self.rays(i, m)[0] for i, m in zip(used, middle, strict=True)])
        best: list[int] = used
        for i in range(len(used)):
            for j in range(i + 1, len(used)):
                turn = Rotation.align_vectors(true[[i, j]], seen[[i, j]])[0]
                off = np.degrees(np.arccos(np.clip((turn.apply(seen) * true).sum(axis=1), -1.0, 1.0)))
                out = [f for f, o in zip(used, off, strict=True) if o > _THROWN_DEG]
                best = min(best, out, key=len)
        return best


def find(
    folder: Path, *, megapixels: float | None = None, out: Path | None = None, limits: Limits = NONE
) -> Found:
    """Run the class over a set in a fresh process; `megapixels` are those it registers at."""
    options: list[object] = [] if megapixels is None else [f"--registration-megapixels={megapixels}"]
    options += [] if out is None else ["--out", out]
    ran = run(python_module("benchmarks.opencv_reference", folder, *options), limits)
    return Found(ran, json.loads(ran.output.splitlines()[-1]) if ran.code == 0 else {"used": []})


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for name in ("row", "rows-3x5"):
        yield from _time_and_memory(setting, name)
    yield from _alignment(setting)
    yield from _sky_rows(setting)


def _time_and_memory(setting: Setting, name: str) -> Iterator[Figure]:
    folder = setting.rendered(name)
    count = len(read_truth(folder).frames)
    theirs, tried = _whole_picture(setting, folder, count)
    ours = stitch(folder, setting.room("reference") / "picture.tif", "--memory", "1GiB")
    whole = theirs.status == "OK" and len(theirs.told["used"]) == count
    words = "; ".join(tried) + ("" if whole else "; no picture of all frames, so no bar")
    yield Figure(
        f"{name}: our time / reference's",
        ours.seconds / theirs.ran.seconds,
        "",
        1.0 if whole else None,
        note=f"{ours.seconds:.1f} s (16 bit) against {theirs.ran.seconds:.1f} s (8 bit). Reference: {words}",
    )
    yield Figure(
        f"{name}: our peak memory at 1 GiB / reference's",
        ours.peak_bytes / max(theirs.ran.peak_bytes, 1),
        "",
        0.25 if whole and count >= 15 else None,
        note=f"{ours.peak_bytes / 2**20:.0f} MiB against {theirs.ran.peak_bytes / 2**20:.0f} MiB",
    )
    yield Figure(f"{name}: our peak memory under --memory 1GiB", ours.peak_bytes / 2**20, "MiB", 1024.0)


def _whole_picture(setting: Setting, folder: Path, count: int) -> tuple[Found, list[str]]:
    """The class's run as it comes; where that is not of all frames, with finer registration until one is."""
    tried: list[str] = []
    best: Found | None = None
    for megapixels in _RESOLUTIONS:
        found = find(folder, megapixels=megapixels, out=setting.room("reference") / "reference.tif")
        where = "at the frames' own pixels" if megapixels < 0 else f"at {megapixels:g} megapixels"
        tried.append(f"{where} {found.status}, {len(found.told['used'])} of {count} frames")
        if best is None or len(found.told["used"]) > len(best.told["used"]):
            best = found
        if found.status == "OK" and len(found.told["used"]) == count:
            break
    assert best is not None
    return best, tried


def _alignment(setting: Setting) -> Iterator[Figure]:
    folder = setting.rendered("distortion-free")
    known = read_truth(folder)
    with opened(folder, setting.room("reference")) as shot:
        apart = disagreement_px(known, cameras_of(align(shot.source, shot.frames)))
    ours = float(np.median(apart))
    best = math.inf
    for megapixels in _RESOLUTIONS:
        found = find(folder, megapixels=megapixels)
        where = "the frames' own pixels" if megapixels < 0 else f"{megapixels:g} megapixels"
        name = f"distortion-free: reference registering at {where}, median error"
        used = len(found.told["used"])
        if found.status != "OK" or used < 2:
            yield not_measured(name, f"it failed: {found.status}")
            continue
        theirs = found.disagreement_px(known)
        best = min(best, float(np.median(theirs)))  # even where it dropped frames
        said = f"{found.status}; {used} of {len(known.frames)} frames; {found.ran.seconds:.0f} s"
        yield Figure(name, float(np.median(theirs)), "px", note=said)
    yield Figure(
        "distortion-free: our median error", ours, "px", note=f"RMS {np.sqrt(np.mean(apart**2)):.4f}"
    )
    yield Figure("distortion-free: reference's best error / ours", best / ours, "", 5.0, ">=")


def _sky_rows(setting: Setting) -> Iterator[Figure]:
    """What the class does where a top row is all but plain sky, beside what we do (group silent)."""
    count = thrown = failed = short = 0
    for seed in seeds(setting, _SKY_SEEDS):
        megapixels = min(setting.megapixels, _SKY_MEGAPIXELS)
        folder = setting.rendered("plain-top-row", megapixels=megapixels, seed=seed)
        known = read_truth(folder)
        found = find(folder)
        count += 1
        if found.status != "OK":
            failed += 1
            continue
        short += len(found.told["used"]) < len(known.frames)
        thrown += bool(found.thrown(known))
    note = f"of {count} sets: {failed} failed, {short} dropped frames and called it success"
    yield Figure(
        f"sky rows: sets where the reference throws frames > {_THROWN_DEG:.0f} deg off", thrown, note=note
    )
