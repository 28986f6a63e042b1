"""No silent failure: many small sets, easy and hard, each frame against the truth."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from belvedere.align.alignment import Alignment
from belvedere.errors import NothingToMake
from benchmarks.against_truth import place_errors
from benchmarks.command import try_stitch
from benchmarks.sets import Setting, Shot, seeds, shoot, write_shot
from benchmarks.solved import align, cameras_of
from benchmarks.table import Figure

_MEGAPIXELS = 1.5
_SEEDS = 10
_TOLD = (2, 3)  # exit codes: nothing made; something left out or in doubt
_OFF = 5e-4  # of a frame's long side


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of set.

    Parameters
    ----------
    words : str
        What it is called here.
    set_name : str
        The demo's set it is made of.
    easy : bool
        Whether every frame must be used.
    exif, tag
        See `sets.shoot`.
    changes : dict
        To the set.
    """

    words: str
    set_name: str
    easy: bool
    exif: bool = True
    tag: float = 1.0
    changes: tuple[tuple[str, Any], ...] = ()


KINDS = (
    Kind("easy row", "row", True),
    Kind("top row with an 18 % strip of texture", "plain-top-row", False),
    Kind("near-full ring of 36", "ring-36", False),
    Kind("repeated texture", "repeated-texture", False),
    Kind("exposure steps", "exposure-steps", True),
    Kind("one stray at the end", "stray", True, changes=(("stray", 7),)),
    Kind("one stray in place of a frame", "stray", False),  # two blocks, joined by the steps of the turn
    Kind("row without Exif", "row", True, exif=False),
    Kind("3 x 5 without Exif", "rows-3x5", True, exif=False),
    Kind("full turn without Exif", "full-turn", True, exif=False),
    Kind("row, tag 15 % long", "row", True, tag=1.15),
)


@dataclass(frozen=True, slots=True)
class Judged:
    """One set's outcome: frames that belong, used of them, doubted, off without a doubt; the exit code.

    `code` is None where nothing was left out, so that there was nothing to run the command for.
    """

    kind: Kind
    wanted: int
    used: int
    doubted: int
    silent: tuple[int, ...]
    refused: bool
    worst: float
    code: int | None = None


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    megapixels = min(setting.megapixels, _MEGAPIXELS)
    judged: list[Judged] = []
    for seed in seeds(setting, _SEEDS):
        for kind in KINDS:
            shot = shoot(
                kind.set_name,
                exif=kind.exif,
                tag=kind.tag,
                megapixels=megapixels,
                seed=seed,
                **dict(kind.changes),
            )
            one = _judge(kind, shot, setting.room("silent"))
            judged.append(one)
            print(
                f"  {kind.words}, seed {seed}: {one.used} of {one.wanted} used, {one.doubted} in doubt, "
                f"worst {one.worst:.5f}"
                + (f", SILENT {one.silent}" if one.silent else "")
                + (f", exit {one.code}" if one.code is not None else ""),
                flush=True,
            )
    yield from _figures(judged)


def _figures(judged: list[Judged]) -> Iterator[Figure]:
    count = len(judged)
    bad = [f"{j.kind.words}: {len(j.silent)}" for j in judged if j.silent]
    yield Figure(
        f"frames off without a doubt, in {count} sets",
        sum(len(j.silent) for j in judged),
        "",
        0,
        "==",
        note="; ".join(bad[:4]),
    )
    short = [j for j in judged if j.used < j.wanted]
    yield Figure(
        f"sets of {count} with frames left out that do not end with 2 or 3",
        sum(j.code not in _TOLD for j in short),
        "",
        0,
        "==",
        note=f"{len(short)} sets with frames that belong left out",
    )
    strays = [j for j in judged if j.kind.set_name == "stray"]
    if strays:
        untold = sum(j.code not in _TOLD for j in strays)
        yield Figure(f"sets of {len(strays)} with a stray that do not end with 2 or 3", untold, "", 0, "==")
    easy = [j for j in judged if j.kind.easy]
    whole = sum(j.used == j.wanted for j in easy)
    yield Figure("easy sets with all frames used", 100.0 * whole / max(len(easy), 1), "%", 100.0, "==")
    for kind in KINDS:
        own = [j for j in judged if j.kind is kind]
        used, wanted = sum(j.used for j in own), sum(j.wanted for j in own)
        yield Figure(
            f"{kind.words}: frames used",
            100.0 * used / max(wanted, 1),
            "%",
            note=f"{sum(j.doubted for j in own)} in doubt; {sum(j.refused for j in own)} sets refused; "
            f"worst frame off by {max((j.worst for j in own), default=0.0):.5f} of its long side",
        )


def _judge(kind: Kind, shot: Shot, folder: Path) -> Judged:
    """Align a set and hold it against the truth; where something is left out, ask the command too."""
    belongs = [i for i, f in enumerate(shot.truth.frames) if f.belongs]
    try:
        found = align(shot.source, shot.frames)
    except NothingToMake:
        return Judged(kind, len(belongs), 0, 0, (), True, 0.0, _exit_code(kind, shot, folder))
    silent, worst = _silent(shot, found)
    used = len(set(found.used) & set(belongs))
    doubted = sum(found.frames[i].doubt is not None for i in found.used)
    code = None
    if len(found.used) < len(shot.frames):
        code = _exit_code(kind, shot, folder)
    return Judged(kind, len(belongs), used, doubted, silent, False, worst, code)


def _silent(shot: Shot, found: Alignment) -> tuple[tuple[int, ...], float]:
    """Used frames that are off, or do not belong, without a doubt; the worst error of those that do."""
    strays = {i for i in found.used if not shot.truth.frames[i].belongs}
    cameras = {i: c for i, c in cameras_of(found).items() if i not in strays}
    errors = dict(zip(cameras, place_errors(shot.truth, cameras), strict=True))
    off = {i for i, error in errors.items() if error > _OFF} | strays
    silent = tuple(sorted(i for i in off if found.frames[i].doubt is None))
    return silent, float(max(errors.values(), default=0.0))


def _exit_code(kind: Kind, shot: Shot, folder: Path) -> int:
    """What `belvedere stitch --preview` ends with on the same set as files."""
    write_shot(shot, folder / "frames", exif=kind.exif, tag=kind.tag)
    ran = try_stitch(folder / "frames", folder / "a.tif", "--preview")
    shutil.rmtree(folder, ignore_errors=True)
    return ran.code
