"""`belvedere demo`: an invented place, shot and stitched."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import msgspec

import belvedere
from belvedere.cli.stitch_command import make_and_tell, memory_from
from belvedere.demo.sets import render_set
from belvedere.errors import BelvedereError, OutputFailed
from belvedere.pipeline.code_version import room_version
from belvedere.pipeline.options import StitchOptions

_NOTE = "shot.json"


def demo_command(given: argparse.Namespace) -> int:
    """Shoot a set, unless just this is there already, and stitch it; returns the exit code."""
    if not 0.05 <= given.megapixels <= 400.0:
        raise BelvedereError(f"--megapixels {given.megapixels:g}: needs 0.05 to 400")
    folder = Path(given.folder)
    frames = folder / given.set
    wanted: dict[str, str | float | int] = {
        "set": given.set,
        "megapixels": given.megapixels,
        "seed": given.seed,
        "version": f"{belvedere.__version__} {room_version('demo')}",
    }
    before = _shot_before(frames)
    try:
        if before is None or before.wanted != wanted or not all((frames / f).is_file() for f in before.files):
            for name in before.files if before else ():
                (frames / Path(name).name).unlink(missing_ok=True)
            (frames / _NOTE).unlink(missing_ok=True)
            _shoot(frames, given, wanted)
    except OSError as error:
        raise OutputFailed(f"{frames}: cannot be written ({error.strerror or error})") from error
    options = StitchOptions(
        sources=(frames,),
        out=folder / f"{given.set}.tif",
        memory_bytes=memory_from(given.memory),
        workers=given.workers,
    )
    return make_and_tell(options, quiet=given.quiet, progress=given.progress)


def _shoot(frames: Path, given: argparse.Namespace, wanted: dict[str, str | float | int]) -> None:
    """Shoot the set, and note it when it is whole."""
    if not given.quiet:
        print(f"Shooting the set “{given.set}” into {frames}", file=sys.stderr, flush=True)
    began = time.monotonic()
    truth = render_set(given.set, frames, megapixels=given.megapixels, seed=given.seed)
    if not given.quiet:
        seconds = time.monotonic() - began
        print(f"{len(truth.files)} frames in {seconds:.0f} s", file=sys.stderr, flush=True)
    (frames / _NOTE).write_bytes(msgspec.json.encode(_Shot(wanted, (*truth.files, "truth.json"))))


class _Shot(msgspec.Struct, frozen=True):
    """What an earlier run shot here: what was wanted, and the files that came of it."""

    wanted: dict[str, str | float | int]
    files: tuple[str, ...]


def _shot_before(frames: Path) -> _Shot | None:
    try:
        return msgspec.json.decode((frames / _NOTE).read_bytes(), type=_Shot)
    except (OSError, msgspec.DecodeError):
        return None
