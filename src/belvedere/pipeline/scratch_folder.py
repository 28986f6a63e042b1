"""A folder for what a run needs only while it lasts."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec

from belvedere.compose.finished_file import output_failed
from belvedere.pipeline.lock import Holder, is_gone, this_run

_PREFIX = "belvedere-"
_OWNER = "held-by.json"


class _Owner(msgspec.Struct, frozen=True, kw_only=True):
    """Whose scratch folder it is: the run, and the space its process id is counted in ("" if untold)."""

    schema: str
    holder: Holder
    pid_space: str


_SCHEMA = "belvedere.scratch/1"


@contextmanager
def scratch_folder(within: Path | None = None) -> Iterator[Path]:
    """Make a folder, and remove it with all it holds when the run ends, however it ends.

    A run that is killed cannot: the next one that makes its folder in the same place removes what is left,
    where it is surely of a process of this user on this machine that is no more.

    Parameters
    ----------
    within : Path or None
        Folder to make it in; None: the system's folder for temporary files.

    Raises
    ------
    OutputFailed
        If it cannot be made.
    """
    place = within or Path(tempfile.gettempdir())
    remove_left_behind(place)
    try:
        folder = tempfile.TemporaryDirectory(prefix=_PREFIX, dir=within, ignore_cleanup_errors=True)
    except OSError as error:
        raise output_failed(place, error) from error
    with folder as path:
        me = _Owner(schema=_SCHEMA, holder=this_run(), pid_space=_pid_space())
        try:
            (Path(path) / _OWNER).write_bytes(msgspec.json.encode(me))
        except OSError as error:
            raise output_failed(place, error) from error
        yield Path(path)


def remove_left_behind(place: Path) -> tuple[Path, ...]:
    """Remove the scratch folders that killed runs left in a folder; which ones.

    Anything that is not surely one of them stays: a folder of another user, one that others may write to, a
    link, one without a readable owner, one of another host or of another container's processes.
    """
    removed = []
    try:
        found = sorted(place.glob(f"{_PREFIX}*"))
    except OSError:
        return ()
    for folder in found:
        if _is_left_behind(folder):
            shutil.rmtree(folder, ignore_errors=True)
            removed.append(folder)
    return tuple(removed)


def _is_left_behind(folder: Path) -> bool:
    try:
        about = folder.lstat()
        if not stat.S_ISDIR(about.st_mode):
            return False
        if hasattr(os, "getuid") and (about.st_uid != os.getuid() or about.st_mode & 0o022):
            return False
        owner = msgspec.json.decode((folder / _OWNER).read_bytes(), type=_Owner)
    except (OSError, msgspec.DecodeError):
        return False
    return owner.schema == _SCHEMA and owner.pid_space == _pid_space() and is_gone(owner.holder)


def _pid_space() -> str:
    """In which space of process ids this process lives (Linux: its PID namespace); "" where none is told."""
    with suppress(OSError):
        return str(Path("/proc/self/ns/pid").readlink())
    return ""
