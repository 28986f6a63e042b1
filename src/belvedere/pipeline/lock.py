"""One run at a time in a work folder: a lock file that says who holds it. No byte-range locks: they do not
hold on network drives."""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

import msgspec
import psutil

from belvedere.compose.finished_file import output_failed
from belvedere.errors import OutputFailed, WorkFolderBusy

NAME = "lock.json"
_WRITING_S = 2.0  # a lock file without content that is older than this was left by a crash
_CLOCK_S = 2.0  # a process that began later than its lock says by more is another one with the same id


class Holder(msgspec.Struct, frozen=True):
    """Who holds a work folder: host, process id, when the process and when the run began (Unix seconds)."""

    host: str
    pid: int
    process_started: float
    run_started: float


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a work folder for the length of a block.

    Parameters
    ----------
    folder : Path
        Must exist.

    Raises
    ------
    WorkFolderBusy
        If another run holds it; says which. A run on this host that is no more is taken over from.
    OutputFailed
        If the folder cannot be written to.
    """
    path = folder / NAME
    me = this_run()
    try:
        _take(path, me)
    except OSError as error:
        raise output_failed(path, error) from error
    try:
        yield
    finally:
        if _read(path) == me:
            with suppress(OSError):
                path.unlink()


def this_run() -> Holder:
    """This process, as a holder from now on."""
    return Holder(platform.node(), os.getpid(), psutil.Process().create_time(), time.time())


def _take(path: Path, me: Holder) -> None:
    for _ in range(100):
        try:
            _create(path, me)
            return
        except FileExistsError:
            pass
        holder = _read(path)
        if holder is None:
            if not _abandoned(path):
                time.sleep(0.05)  # being written at this moment, or gone again
                continue
        elif not is_gone(holder):
            raise WorkFolderBusy(_busy(path, holder))
        _remove(path, holder)
    raise OutputFailed(f"{path}: cannot be made or removed. Remove it by hand if no other run is going on.")


def _create(path: Path, me: Holder) -> None:
    descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
    with os.fdopen(descriptor, "wb") as file:
        file.write(msgspec.json.encode(me))


def _remove(path: Path, holder: Holder | None) -> None:
    """Remove a lock that nobody holds; of several runs that find it so only one does."""
    taking = path.with_name(path.name + ".taking-over")
    try:
        os.close(os.open(taking, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
    except FileExistsError:
        if _abandoned(taking):
            with suppress(OSError):
                taking.unlink()
        time.sleep(0.05)
        return
    try:
        if _read(path) == holder:
            path.unlink(missing_ok=True)
    finally:
        taking.unlink(missing_ok=True)


def _read(path: Path) -> Holder | None:
    try:
        return msgspec.json.decode(path.read_bytes(), type=Holder)
    except (OSError, msgspec.DecodeError):
        return None


def _abandoned(path: Path) -> bool:
    """Whether a file that should live for a moment has been there for long."""
    try:
        return time.time() - path.stat().st_mtime > _WRITING_S
    except OSError:
        return False


def is_gone(holder: Holder) -> bool:
    """Whether the holder is surely no more: its process ended on this host, or its id is another's now."""
    if holder.host != platform.node():
        return False
    if holder.pid <= 0:
        return True
    try:
        started = psutil.Process(holder.pid).create_time()
    except psutil.NoSuchProcess:
        return True
    except psutil.Error:
        return False
    return bool(abs(started - holder.process_started) > _CLOCK_S)


def _busy(path: Path, holder: Holder) -> str:
    since = datetime.fromtimestamp(holder.run_started).strftime("%Y-%m-%d %H:%M:%S")
    who = f"{path.parent}: another run holds this work folder"
    who += f" (process {holder.pid} on {holder.host}, since {since})"
    if holder.host == platform.node():
        return f"{who}. Wait for it to end, or name another folder with --work."
    return f"{who}. Wait for it to end; if it is no more, remove {path}."
