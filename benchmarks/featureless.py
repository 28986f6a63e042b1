"""Frames of plain sky, placed by the regularity of the turn: how far off, against what is stated."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from belvedere.align.alignment import Alignment
from belvedere.demo.place import Place
from belvedere.demo.spec import ShootingOrder
from belvedere.demo.truth import Truth
from benchmarks.against_truth import frame_grid
from benchmarks.sets import Setting, seeds, shoot
from benchmarks.solved import align, cameras_of
from benchmarks.table import Figure

_MEGAPIXELS = 0.15
_SEEDS = 50
_EXACT_SEEDS = 5
_DRIFT_SEEDS = 20


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of set: what it is called here, and what it changes in a demo row."""

    words: str
    skyline_deg: float
    changes: tuple[tuple[str, Any], ...]


_DRIFT = Kind(
    "top row tied by drifting clouds alone",
    3.0,
    (("rows", 3), ("columns", 4), ("focal_mm", 50.0), ("pitch_deg", 16.0), ("cloud_drift", (0.002, 0.0008))),
)
KINDS = (
    Kind(
        "top row that rises into plain sky",
        4.0,
        (("rows", 2), ("columns", 6), ("focal_mm", 50.0), ("pitch_deg", 7.0), ("tilt_deg", 4.0)),
    ),
    Kind(
        "top row of plain sky, shot there and back",
        5.0,
        (
            ("rows", 4),
            ("columns", 4),
            ("focal_mm", 70.0),
            ("pitch_deg", -2.0),
            ("order", ShootingOrder(serpentine=True)),
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Errors and stated sigmas (px, a coordinate) of frames placed by the grid; frames left out of all."""

    errors: tuple[float, ...]
    sigmas: tuple[float, ...]
    left_out: int
    frames: int
    silent: int


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    for kind in KINDS:
        yield from _figures(kind.words, [_one(kind, seed) for seed in seeds(setting, _SEEDS)])
    yield from _figures(
        _DRIFT.words, [_one(_DRIFT, seed, clouds=0.8) for seed in seeds(setting, _DRIFT_SEEDS)]
    )
    exact = [
        _one(kind, seed, scatter_deg=0.0)
        for kind in KINDS
        for seed in range(min(setting.seeds or 99, _EXACT_SEEDS))
    ]
    worst = max((e for o in exact for e in o.errors), default=float("nan"))
    yield Figure(
        "a head that repeats exactly: plain frames off, worst",
        worst,
        "px",
        3.0,
        note=f"{sum(len(o.errors) for o in exact)} frames placed, {sum(o.left_out for o in exact)} left out",
    )


def _one(kind: Kind, seed: int, clouds: float = 0.0, **more: Any) -> Outcome:
    place = Place(seed=seed, clouds=clouds, sea_width_deg=0.0, skyline_deg=kind.skyline_deg)
    shot = shoot(
        "plain-top-row", megapixels=_MEGAPIXELS, seed=seed, place=place, **(dict(kind.changes) | more)
    )
    found = align(shot.source, shot.frames)
    errors = errors_px(shot.truth, found)
    placed = [i for i, p in enumerate(found.frames) if p.placed_by == "grid"]
    sigmas = [found.frames[i].placement_sigma_px or float("nan") for i in placed]
    off = 5e-4 * max(shot.spec.stored_size)
    silent = sum(not e <= off and found.frames[i].doubt is None for i, e in errors.items())
    print(
        f"  {kind.words}, seed {seed}: {len(placed)} placed, {len(shot.frames) - len(found.used)} left out, "
        + " ".join(f"{errors[i]:.1f}/{s:.1f}" for i, s in zip(placed, sigmas, strict=True)),
        flush=True,
    )
    return Outcome(
        tuple(errors[i] for i in placed),
        tuple(sigmas),
        len(shot.frames) - len(found.used),
        len(shot.frames),
        silent,
    )


def _figures(words: str, outcomes: list[Outcome]) -> Iterator[Figure]:
    errors = np.array([e for o in outcomes for e in o.errors])
    sigmas = np.array([s for o in outcomes for s in o.sigmas])
    if not len(errors):
        yield Figure(f"{words}: frames placed", 0.0, "", 1, ">=")
        return
    rms = float(np.sqrt(np.mean(errors**2)))
    note = f"{len(errors)} frames in {len(outcomes)} sets; {sum(o.left_out for o in outcomes)} left out"
    within = 100.0 * float(np.mean(errors <= 3.0 * sigmas))
    yield Figure(f"{words}: within 3 stated sigmas", within, "%", 99.0, ">=", note=note)
    stated = float(np.sqrt(np.mean(sigmas**2))) / rms
    yield Figure(f"{words}: stated sigma over actual RMS", stated, "", (0.5, 2.0), note=f"RMS {rms:.2f} px")
    yield Figure(f"{words}: frames off without a doubt", sum(o.silent for o in outcomes), "", 0, "==")


def errors_px(known: Truth, found: Alignment) -> dict[int, float]:
    """How far every used frame is shifted against those it overlaps, px a coordinate, RMS over both.

    A frame with tie points is held against such alone.

    Over a grid of points of the frame that the other sees too, as in `against_truth.disagreement_px`.
    """
    cameras = cameras_of(found)
    out = {}
    for i, camera in cameras.items():
        true = known.frames[i].camera
        grid = frame_grid(true, 12)
        rays = true.rays(grid)
        squares = []
        for j, other in cameras.items():
            if j == i or (found.frames[j].placed_by == "grid" != found.frames[i].placed_by):
                continue
            there, seen = known.frames[j].camera.project(rays)
            if np.count_nonzero(seen) < 0.02 * len(grid):
                continue
            off = np.linalg.norm(camera.rays(grid[seen]) - other.rays(there[seen]), axis=1) * true.focal_px
            squares.append(float(np.mean(off**2)) / 2.0)
        out[i] = float(np.sqrt(np.mean(squares))) if squares else float("nan")
    return out
