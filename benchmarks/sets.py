"""Demo sets for the benchmark: rendered once into a shelf of folders, or shot in memory."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory
from belvedere.capture.gather import gather
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import render_frame, render_frames, truth, write_frame
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.demo.truth import Truth, read_truth, write_truth


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run of the benchmark is to measure with.

    Parameters
    ----------
    megapixels : float
        Million pixels a frame; the promises are made for 24.
    seeds : int or None
        How often what is repeated over seeds is repeated; None: each group's own number.
    folder : Path
        Rendered sets, work folders, pictures and figures go there.
    ready : Path or None
        A folder of sets rendered before, each named as the set; used where they are what is asked for.
    """

    megapixels: float
    seeds: int | None
    folder: Path
    ready: Path | None = None

    def room(self, name: str) -> Path:
        """An empty folder for one measurement."""
        path = self.folder / "work" / name
        shutil.rmtree(path, ignore_errors=True)
        path.mkdir(parents=True)
        return path

    def rendered(self, name: str, *, megapixels: float | None = None, seed: int = 0, **changes: Any) -> Path:
        """A folder with one of the demo's sets and its truth; rendered if it is not there yet."""
        spec = set_spec(name, megapixels=megapixels or self.megapixels, seed=seed, **changes)
        if self.ready is not None and _is(self.ready / name, spec):
            return self.ready / name
        folder = self.folder / "sets" / f"{name}-{spec.megapixels:g}-{seed}-{_key(spec)}"
        keep_rendered(spec, folder)
        return folder


def keep_rendered(spec: SetSpec, folder: Path) -> None:
    """Make `folder` hold a set and its truth, rendered unless it is there."""
    if not _is(folder, spec):
        print(f"  rendering {folder.name}", flush=True)
        part = folder.with_name(folder.name + ".part")
        shutil.rmtree(part, ignore_errors=True)
        shutil.rmtree(folder, ignore_errors=True)
        _write(spec, part)
        part.rename(folder)


def _write(spec: SetSpec, folder: Path) -> None:
    """What `demo.render.write_set` does, frames in threads: the same files."""
    folder.mkdir(parents=True)
    known = truth(spec)
    shots = plan_shots(spec)

    def one(i: int) -> None:
        write_frame(spec, shots[i], render_frame(spec, shots[i]), folder / known.files[i])

    with ThreadPoolExecutor(processors()) as threads:
        list(threads.map(one, range(len(shots))))
    write_truth(known, folder / "truth.json")


def _is(folder: Path, spec: SetSpec) -> bool:
    """Whether a folder holds just this set, by its truth."""
    try:
        found = read_truth(folder)
    except (OSError, ValueError, KeyError, TypeError):
        return False
    known = truth(spec)
    return repr(found) == repr(known) and all((folder / name).is_file() for name in known.files)


def _key(spec: SetSpec) -> str:
    return hashlib.sha256(json.dumps(asdict(spec), sort_keys=True).encode()).hexdigest()[:10]


def frames_of(folder: Path, known: Truth) -> tuple[Frame, ...]:
    """The frames in a folder, in the order of its truth."""
    by_name = {frame.name: frame for frame in gather([folder]).frames}
    return tuple(by_name[name] for name in known.files)


def without_exif(frame: Frame) -> Frame:
    """The frame as if its file had no metadata, but as displayed."""
    m = frame.metadata
    return Frame((Exposure(frame.file, Metadata(m.width, m.height, bits=m.bits)),))


def with_tag_off(frame: Frame, factor: float) -> Frame:
    """The frame with its focal-length tags multiplied."""
    m = frame.metadata
    wrong = replace(
        m,
        focal_mm=None if m.focal_mm is None else m.focal_mm * factor,
        focal_35mm=None if m.focal_35mm is None else m.focal_35mm * factor,
    )
    return Frame((Exposure(frame.file, wrong),))


@dataclass(frozen=True, slots=True)
class Shot:
    """A set in memory: its spec and truth, its frames, their pixels."""

    spec: SetSpec
    truth: Truth
    frames: tuple[Frame, ...]
    source: FramesInMemory


def shoot(name: str, *, exif: bool = True, tag: float = 1.0, **changes: Any) -> Shot:
    """Shoot a set in memory; without Exif, or with a focal-length tag `tag` times the truth.

    `changes` are those of `demo.sets.set_spec`.
    """
    spec = set_spec(name, **changes)
    known = truth(spec)
    pixels = render_frames(spec)
    frames = tuple(
        Frame((Exposure(Path(f.file), _metadata(spec, known, i, tag) if exif else _bare(pixels[i].shape)),))
        for i, f in enumerate(known.frames)
    )
    return Shot(spec, known, frames, FramesInMemory(pixels))


def _metadata(spec: SetSpec, known: Truth, i: int, tag: float) -> Metadata:
    width, height = spec.stored_size
    frame = known.frames[i]
    return Metadata(
        width,
        height,
        frame.orientation,
        bits=spec.bits,
        make=spec.body.make,
        model=spec.body.model,
        lens=spec.lens.model,
        focal_mm=spec.focal_mm * tag,
        focal_35mm=spec.focal_mm * tag * 36.0 / spec.body.sensor_mm[0],
        exposure_s=2.0**frame.exposure_ev / 125.0,
        f_number=8.0,
        iso=100.0,
        taken=datetime(2026, 5, 4, 6, 0) + timedelta(seconds=frame.seconds),
    )


def _bare(shape: tuple[int, ...]) -> Metadata:
    return Metadata(shape[1], shape[0])


def write_shot(shot: Shot, folder: Path, *, exif: bool, tag: float) -> None:
    """Write a set shot in memory as the files a camera would have left."""
    folder.mkdir(parents=True, exist_ok=True)
    spec = replace(shot.spec, exif=exif, tagged_focal_mm=shot.spec.focal_mm * tag)
    for i, planned in enumerate(plan_shots(spec)):
        write_frame(spec, planned, shot.source.whole(i, 0), folder / shot.truth.files[i])


def processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def seeds(setting: Setting, own: int) -> Iterator[int]:
    """The seeds to repeat over."""
    return iter(range(setting.seeds if setting.seeds is not None else own))
