"""Files that appear under their name only when they are finished: write beside, make durable, then rename."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from belvedere.errors import OutputFailed

_FULL = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}
_REFUSED = {errno.EACCES, errno.EPERM, errno.EROFS}


def part_path(path: Path) -> Path:
    """The name under which `path` grows in its own folder: hidden, and marked with this process's id."""
    return path.with_name(f".{path.name}.part-{os.getpid()}")


@contextmanager
def finished_file(path: Path) -> Iterator[IO[bytes]]:
    """A binary file to write, which replaces `path` when the block ends well and vanishes when it does not.

    Parameters
    ----------
    path : Path
        The final name. A file already there stays untouched until the new one is whole and on the disk.

    Raises
    ------
    OutputFailed
        If the folder cannot be written to or the disk is full.
    """
    part = part_path(path)
    try:
        with part.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        put_in_place(part, path)
    except OSError as error:
        raise output_failed(path, error) from error
    finally:
        with suppress(OSError):
            part.unlink()


def put_in_place(part: Path, path: Path) -> None:
    """Rename a finished, durable file to its final name within one folder, replacing what was there."""
    part.replace(path)
    if os.name == "posix":  # elsewhere a folder cannot be opened, and the rename is durable by itself
        with suppress(OSError):
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)


def free_bytes(folder: Path) -> int:
    """Bytes this user may still write to the disk that holds `folder`."""
    return shutil.disk_usage(folder).free


def output_failed(path: Path, error: OSError, needed_bytes: int | None = None) -> OutputFailed:
    """What `error` means for the person who wanted `path`, and what to do about it.

    Parameters
    ----------
    path : Path
        The final name.
    error : OSError
        What the system said.
    needed_bytes : int, optional
        Space the finished file may take, where it can be told.
    """
    needed = f" It may need up to {disk_space(needed_bytes)}." if needed_bytes else ""
    if error.errno in _FULL:
        return OutputFailed(f"{path}: the disk is full.{needed} Free some space or write to another disk.")
    if error.errno in _REFUSED and path.is_file():
        return OutputFailed(
            f"{path}: may not be replaced. Close it in other programs, change the rights of its folder, "
            "or choose another name or folder."
        )
    if error.errno in _REFUSED:
        return OutputFailed(
            f"{path}: the folder {path.parent} may not be written to. "
            "Choose another folder or change its rights."
        )
    if error.errno in {errno.ENOENT, errno.ENOTDIR}:
        return OutputFailed(f"{path}: there is no folder {path.parent}. Create it or choose another one.")
    if error.errno == errno.EISDIR or path.is_dir():
        return OutputFailed(f"{path}: this is a folder. Choose a file name.")
    if error.errno == errno.EFBIG:
        return OutputFailed(
            f"{path}: the disk's file system takes no file this large.{needed} Write to another disk."
        )
    return OutputFailed(
        f"{path}: could not be written ({error.strerror or error}). Try another disk or folder."
    )


def disk_space(size_bytes: int) -> str:
    """A size in decimal units as disks are sold: "31 MB", "1.2 GB", "250 GB"."""
    if size_bytes < 995_000_000:
        return f"{max(1, round(size_bytes / 1e6))} MB"
    size = size_bytes / 1e9
    return f"{size:.1f} GB" if size < 99.95 else f"{size:,.0f} GB"
