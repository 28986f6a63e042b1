"""`belvedere demo`: an invented place, shot and stitched."""

from __future__ import annotations

import argparse
import json
import sys
import time
from contextlib import suppress
from pathlib import Path

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
    wanted = {
        "schema": "belvedere.demo-shot/1",
        "set": given.set,
        "megapixels": given.megapixels,
        "seed": given.seed,
        "version": f"{belvedere.__version__} {room_version('demo')}",
    }
    try:
        if _note(frames).get("shot") != wanted:
            _shoot(frames, wanted, quiet=given.quiet)
    except OSError as error:
        raise OutputFailed(f"{frames}: cannot be written ({error.strerror or error})") from error
    options = StitchOptions(
        sources=(frames,),
        out=folder / f"{given.set}.tif",
        memory_bytes=memory_from(given.memory),
        workers=given.workers,
    )
    return make_and_tell(options, quiet=given.quiet, progress=given.progress)


def _shoot(frames: Path, wanted: dict[str, object], *, quiet: bool) -> None:
    """Shoot into a folder of our own; frames of an earlier shoot go."""
    for name in _note(frames).get("files", []):
        with suppress(OSError):
            (frames / Path(name).name).unlink()
    (frames / _NOTE).unlink(missing_ok=True)
    if not quiet:
        print(f"Shooting the set “{wanted['set']}” into {frames}", file=sys.stderr, flush=True)
    began = time.monotonic()
    truth = render_set(
        str(wanted["set"]), frames, megapixels=float(str(wanted["megapixels"])), seed=int(str(wanted["seed"]))
    )
    if not quiet:
        seconds = time.monotonic() - began
        print(f"{len(truth.files)} frames in {seconds:.0f} s", file=sys.stderr, flush=True)
    note = {"shot": wanted, "files": [*truth.files, "truth.json"]}
    (frames / _NOTE).write_text(json.dumps(note, indent=1) + "\n", encoding="utf-8")


def _note(frames: Path) -> dict[str, object] | dict[str, list[str]]:
    """What an earlier run shot here; empty where there is none."""
    try:
        found = json.loads((frames / _NOTE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
