"""Folders that appear under their name only when they are finished, and replace only what was made here."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from belvedere.compose.finished_file import output_failed, part_path
from belvedere.errors import OutputFailed


def check_folder(folder: Path, made_here: Callable[[Path], bool]) -> None:
    """Ask before any work whether a folder of this name can be made.

    Raises
    ------
    OutputFailed
        If there is something of this name that was not made here, for a folder is replaced with all that is
        in it; if the folder around it is not there.
    """
    if not folder.absolute().parent.is_dir():
        raise OutputFailed(f"{folder}: there is no folder {folder.parent}. Create it or choose another one.")
    if folder.is_dir():
        if any(folder.iterdir()) and not made_here(folder):
            raise OutputFailed(
                f"{folder}: is there already, with files that Belvedere did not make. Choose another name."
            )
    elif folder.exists():
        raise OutputFailed(f"{folder}: this is a file. Choose another name for the folder.")


@contextmanager
def finished_folder(folder: Path) -> Iterator[Path]:
    """A folder to fill, which replaces `folder` when the block ends well and vanishes when it does not.

    Raises
    ------
    OutputFailed
        If it cannot be written to or the disk is full; `folder` is then as it was.
    """
    part = part_path(folder)
    old = part.with_name(f"{part.name}-old")
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir()
        yield part
        if folder.exists():
            folder.replace(old)
        try:
            part.replace(folder)
        except OSError:
            if old.exists():
                old.replace(folder)
            raise
    except OSError as error:
        raise output_failed(folder, error) from error
    finally:
        for path in (part, old):
            with suppress(OSError):
                shutil.rmtree(path)


def written(path: Path, data: bytes) -> None:
    """Write a file within a folder that is being filled, making the folders on the way."""
    try:
        with path.open("wb") as file:
            file.write(data)
    except FileNotFoundError:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
