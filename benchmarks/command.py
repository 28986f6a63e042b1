"""Commands run in processes of their own, with their wall time and the memory of all their processes."""

from __future__ import annotations

import math
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import msgspec
import psutil

from belvedere.compose.report import Report, read_report, report_path
from belvedere.pipeline.work_folder import WorkFolder

T = TypeVar("T")
_EVERY_S = 0.02


@dataclass(frozen=True, slots=True)
class Ran:
    """What became of a command: exit code, wall seconds, peak resident bytes of all its processes, output.

    `processor_s` is the processor time of all its processes as last seen, at most some 20 ms short.
    `stopped` says which limit it was stopped at; "" if it came to its own end.
    """

    code: int
    seconds: float
    peak_bytes: int
    output: str
    errors: str
    processor_s: float = 0.0
    stopped: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a command may take, all its processes together, before it is stopped."""

    resident_bytes: float = math.inf
    seconds: float = math.inf


NONE = Limits()


def run(command: Sequence[str], limits: Limits = NONE) -> Ran:
    """Run a command to its end or to a limit; memory is looked at fifty times a second."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    peak, spent, stopped = [0], [0.0], [""]
    done = threading.Event()

    def watch() -> None:
        while not done.wait(_EVERY_S):
            resident, processor_s = _taken(process.pid)
            peak[0], spent[0] = max(peak[0], resident), max(spent[0], processor_s)
            if not stopped[0] and resident > limits.resident_bytes:
                stopped[0] = f"stopped at {limits.resident_bytes / 2**30:.3g} GiB of memory"
            elif not stopped[0] and time.perf_counter() - began > limits.seconds:
                stopped[0] = f"stopped after {limits.seconds:.0f} s"
            if stopped[0]:
                _kill(process.pid)

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        output, errors = process.communicate()
    except BaseException:
        process.kill()
        raise
    finally:
        done.set()
    seconds = time.perf_counter() - began
    watcher.join()
    return Ran(process.returncode, seconds, peak[0], output, errors, spent[0], stopped[0])


def _kill(pid: int) -> None:
    """End a process and all below it."""
    try:
        root = psutil.Process(pid)
        for process in [*root.children(recursive=True), root]:
            process.kill()
    except psutil.Error:
        return  # it has come to its end by itself


def _taken(pid: int) -> tuple[int, float]:
    """Resident bytes of a process and all below it, shared pages counted for each; processor seconds."""
    total, seconds = 0, 0.0
    try:
        root = psutil.Process(pid)
        for process in [root, *root.children(recursive=True)]:
            try:
                total += process.memory_info().rss
                times = process.cpu_times()
                seconds += times.user + times.system
            except psutil.Error:
                continue
    except psutil.Error:
        return total, seconds
    return total, seconds


def python_module(name: str, *arguments: object) -> list[str]:
    """The command that runs one of our modules with this interpreter."""
    return [sys.executable, "-m", name, *map(str, arguments)]


def stitch_command(source: Path, out: Path, *options: object) -> list[str]:
    """The command that stitches with this interpreter's `belvedere`, and says nothing but errors."""
    name = "belvedere.exe" if sys.platform == "win32" else "belvedere"
    belvedere = str(Path(sys.executable).with_name(name))
    return [belvedere, "stitch", str(source), "--out", str(out), "--quiet", *map(str, options)]


def try_stitch(source: Path, out: Path, *options: object) -> Ran:
    """`belvedere stitch` in a fresh process, whatever it ends with."""
    return run(stitch_command(source, out, *options))


def stitch(source: Path, out: Path, *options: object) -> Ran:
    """`belvedere stitch` in a fresh process.

    Raises
    ------
    RuntimeError
        If it made nothing; says what it said.
    """
    ran = try_stitch(source, out, *options)
    if ran.code not in (0, 3):
        raise RuntimeError(f"belvedere stitch ended with {ran.code}: {ran.errors.strip()[-300:]}")
    return ran


def report_of(out: Path) -> Report:
    """The report beside a picture."""
    return read_report(report_path(out))


def kept(out: Path, stage: str, kind: type[T]) -> T:
    """What a stage left in the work folder of a picture.

    Raises
    ------
    ValueError
        If it is not there or not whole.
    """
    folder = out.with_name(out.stem + ".work")
    key = str(msgspec.json.decode((folder / f"{stage}.json").read_bytes())["key"])
    found = WorkFolder(folder, lambda sentence: None).load(stage, key, kind)
    if found is None:
        raise ValueError(f"{folder}: the stage {stage} is not whole")
    return found
