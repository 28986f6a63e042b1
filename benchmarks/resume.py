"""Runs that are killed or interrupted at a random moment, and what the next run makes of what they left."""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from belvedere.cli.interrupt import STOPPED
from belvedere.cli.main import FAILED
from benchmarks.command import stitch, stitch_command
from benchmarks.identical import pixels_digest, tags_text
from benchmarks.sets import Setting
from benchmarks.table import Figure, not_measured

_SET = "rows-3x5"
_MOST_MEGAPIXELS = 6.0
_KILLS = 20
_INTERRUPTS = 8
_FILLS = 6
_DISK_MB_PER_MEGAPIXEL = 400  # some three times what a run needs
_STOP_S = 2.0
_PATIENCE_S = 60.0


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    if sys.platform == "win32":
        yield not_measured("killed runs", RuntimeError("Windows knows no kill -9"))
        return
    megapixels = min(setting.megapixels, _MOST_MEGAPIXELS)
    folder = setting.rendered(_SET, megapixels=megapixels)
    reference = setting.room("resume") / "picture.tif"
    whole = stitch(folder, reference).seconds
    wanted = (pixels_digest(reference), tags_text(reference))
    kills = setting.seeds or _KILLS
    yield _killed(setting, folder, whole, wanted, kills)
    yield from _interrupted(setting, folder, whole, wanted, min(kills, _INTERRUPTS))
    yield from _disk_filled(setting, folder, whole, wanted, min(kills, _FILLS), megapixels)


def _killed(setting: Setting, folder: Path, whole: float, wanted: tuple[str, str], kills: int) -> Figure:
    moments = random.Random(1)
    same, late, wrong = 0, 0, []
    for _ in range(kills):
        out = setting.room("resume") / "picture.tif"
        moment = moments.uniform(0.0, whole)
        ended = _stopped_after(folder, out, moment, signal.SIGKILL)
        late += ended.code in (0, 3)
        stitch(folder, out)
        found = (pixels_digest(out), tags_text(out))
        print(
            f"  killed after {moment:.1f} of {whole:.1f} s: {'same' if found == wanted else 'other'}",
            flush=True,
        )
        same += found == wanted
        if found != wanted:
            wrong.append(f"{moment:.1f} s")
        if left := _left_over(out):
            wrong.append(f"{moment:.1f} s leaves {left}")
    note = f"{late} had ended before" if late else ""
    return Figure(
        f"killed at {kills} random moments, then the same picture",
        same,
        "",
        kills,
        "==",
        note="; ".join([note, *wrong]).strip("; "),
    )


def _interrupted(
    setting: Setting, folder: Path, whole: float, wanted: tuple[str, str], times: int
) -> Iterator[Figure]:
    moments = random.Random(2)
    slowest, same, mute, strange = 0.0, 0, 0, 0
    for _ in range(times):
        out = setting.room("resume") / "picture.tif"
        ended = _stopped_after(folder, out, moments.uniform(0.1, 0.95) * whole, signal.SIGINT)
        slowest = max(slowest, ended.seconds)
        mute += ended.code == STOPPED and "same command" not in ended.said
        stitch(folder, out)
        same += (pixels_digest(out), tags_text(out)) == wanted
        strange += ended.code not in (0, 3, STOPPED)
        print(f"  interrupted: stopped in {ended.seconds:.2f} s, said {ended.said!r}", flush=True)
    yield Figure("Ctrl-C: slowest stop", slowest, "s", _STOP_S, "<=")
    yield Figure(f"Ctrl-C at {times} random moments, then the same picture", same, "", times, "==")
    yield Figure("Ctrl-C that ended in a fault", strange, "", 0, "==")
    yield Figure("Ctrl-C without a word on how to go on", mute, "", 0, "==")


def _disk_filled(
    setting: Setting, folder: Path, whole: float, wanted: tuple[str, str], times: int, megapixels: float
) -> Iterator[Figure]:
    """A disk of its own that something else fills up at a random moment; then the space is given back."""
    disk = setting.room("resume") / "disk"
    disk.mkdir()
    size = f"size={_DISK_MB_PER_MEGAPIXEL * megapixels:.0f}m"
    if subprocess.run(["mount", "-t", "tmpfs", "-o", size, "tmpfs", disk], capture_output=True).returncode:
        yield not_measured("disk filled at random moments", PermissionError("no right to mount a disk"))
        return
    moments = random.Random(3)
    same, told, met = 0, 0, 0
    try:
        for k in range(times):
            out = disk / f"{k}" / "picture.tif"
            out.parent.mkdir()
            ended = _filled_after(folder, out, moments.uniform(0.02, 0.6) * whole, disk / "filler")
            met += ended.code not in (0, 3)
            told += (
                ended.code == FAILED
                and "free some space" in ended.said.lower()
                and "Traceback" not in ended.said
            )
            stitch(folder, out)
            same += (pixels_digest(out), tags_text(out)) == wanted
            print(f"  disk filled: ended with {ended.code}, said {ended.said!r}", flush=True)
            shutil.rmtree(out.parent)
    finally:
        subprocess.run(["umount", disk], check=False)
    yield Figure("disk filled: said so in a sentence", told, "", met, "==", note=f"of {times} fillings")
    yield Figure("disk filled, space given back, then the same picture", same, "", times, "==")


def _filled_after(folder: Path, out: Path, seconds: float, filler: Path) -> _Ended:
    process = subprocess.Popen(
        stitch_command(folder, out), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    began = time.perf_counter()
    try:
        return _Ended(process.wait(seconds), 0.0, "")
    except subprocess.TimeoutExpired:
        pass
    try:
        with filler.open("ab", buffering=0) as file:
            while process.poll() is None and time.perf_counter() - began < _PATIENCE_S + 10 * seconds:
                try:
                    while file.write(bytes(1 << 22)):
                        pass
                except OSError:
                    time.sleep(0.05)
        _, said = process.communicate(timeout=_PATIENCE_S)
    finally:
        filler.unlink()
    return _Ended(process.returncode, time.perf_counter() - began, said.strip())


class _Ended(NamedTuple):
    """What a signal did: exit code, seconds the run took to stop, what it said."""

    code: int
    seconds: float
    said: str


def _stopped_after(folder: Path, out: Path, seconds: float, sent: signal.Signals) -> _Ended:
    """Run the command in a process of its own and send it a signal after so many seconds."""
    process = subprocess.Popen(
        stitch_command(folder, out),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        # a background shell takes the interrupt away from all it starts
        preexec_fn=_mind_interrupts,
    )
    try:
        return _Ended(process.wait(seconds), 0.0, "")
    except subprocess.TimeoutExpired:
        pass
    process.send_signal(sent)
    began = time.perf_counter()
    _, said = process.communicate(timeout=_PATIENCE_S)
    return _Ended(process.returncode, time.perf_counter() - began, said.strip())


def _mind_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _left_over(out: Path) -> str:
    """Parts of files that the second run should have taken up or removed."""
    return ", ".join(sorted(p.name for p in out.parent.rglob("*") if p.name.endswith((".part", ".new"))))
