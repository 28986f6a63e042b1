"""One file copied so that it is there whole and verified, or not at all; nothing is ever written over."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.digest import file_sha256
from belvedere.compose.finished_file import output_failed, part_path, put_in_place
from belvedere.errors import BelvedereError, OutputFailed, UnreadableFile

_PIECE_BYTES = 4 << 20


class DifferentFile(BelvedereError):
    """Another file has the copy's name, and stays."""


@dataclass(frozen=True, slots=True)
class Copy:
    """What was copied.

    Parameters
    ----------
    sha256 : str
        Of the source as read and of the copy as read back, 64 hexadecimal digits.
    size_bytes : int
    was_there : bool
        The very same file was there before.
    """

    sha256: str
    size_bytes: int
    was_there: bool = False


def copy_file(source: Path, target: Path, advance: Callable[[int], None] = lambda _: None) -> Copy:
    """Copy a file under a hidden name, make it durable, read it back, and only then give it its name.

    Parameters
    ----------
    source, target : Path
        The folder of `target` must exist.
    advance : callable
        Told bytes as they are copied and as they are read back: twice the file's size in all.

    Returns
    -------
    Copy
        The copy has the source's time of change. A target with the same content is left as it is.

    Raises
    ------
    UnreadableFile
        If the source cannot be read, or changes meanwhile.
    DifferentFile
        If there is another file of that name.
    OutputFailed
        If the copy cannot be written, or what is read back is not what was written.
    """
    try:
        before = source.stat()
    except OSError as error:
        raise _unreadable(source, error) from error
    if os.path.lexists(target):
        return _same_file(source, target, before.st_size, advance)
    part = part_path(target)
    try:
        sent = _pour(source, part, target, advance)
        if sent[1] != before.st_size:
            raise UnreadableFile(source, "changed while it was copied; copy it again")
        try:
            os.utime(part, ns=(before.st_atime_ns, before.st_mtime_ns))
            back = _read_back(part, advance)
        except OSError as error:
            raise output_failed(target, error) from error
        if back != sent[0]:
            raise OutputFailed(
                f"{target}: what was read back is not what was written. The disk or its cable may be "
                "failing. Copy to another one."
            )
        try:
            _name(part, target)
        except FileExistsError as error:
            raise DifferentFile(
                f"{target}: appeared while it was being copied, and stays as it is"
            ) from error
        except OSError as error:
            raise output_failed(target, error) from error
        return Copy(*sent)
    finally:
        with suppress(OSError):
            part.unlink()


def _same_file(source: Path, target: Path, size: int, advance: Callable[[int], None]) -> Copy:
    """The copy that is there, if it is the same."""
    try:
        same = target.is_file() and target.stat().st_size == size
        there = file_sha256(target) if same else ""
    except (OSError, UnreadableFile) as error:
        raise DifferentFile(f"{target}: is there and cannot be read, so it is left as it is") from error
    advance(size)
    digest = file_sha256(source)
    advance(size)
    if digest != there:
        raise DifferentFile(f"{target}: another file has this name, and files are never written over")
    return Copy(digest, size, was_there=True)


def _pour(source: Path, part: Path, target: Path, advance: Callable[[int], None]) -> tuple[str, int]:
    """Write the source's bytes to the hidden file, durably; (SHA-256, bytes)."""
    digest, size = hashlib.sha256(), 0
    try:
        stream = source.open("rb", buffering=0)
    except OSError as error:
        raise _unreadable(source, error) from error
    with stream:
        try:
            out = part.open("wb", buffering=0)
        except OSError as error:
            raise output_failed(target, error) from error
        with out:
            while True:
                try:
                    piece = stream.read(_PIECE_BYTES)
                except OSError as error:
                    raise _unreadable(source, error) from error
                if not piece:
                    break
                digest.update(piece)
                size += len(piece)
                try:
                    rest = memoryview(piece)
                    while rest:
                        rest = rest[out.write(rest) :]
                except OSError as error:
                    raise output_failed(target, error) from error
                advance(len(piece))
            try:
                os.fsync(out.fileno())
            except OSError as error:
                raise output_failed(target, error) from error
    return digest.hexdigest(), size


def _read_back(part: Path, advance: Callable[[int], None]) -> str:
    """SHA-256 of what is on the disk, past the system's memory of it where the system can be told so."""
    digest = hashlib.sha256()
    with part.open("rb", buffering=0) as stream:
        if hasattr(os, "posix_fadvise"):  # elsewhere it may come from memory
            os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while piece := stream.read(_PIECE_BYTES):
            digest.update(piece)
            advance(len(piece))
    return digest.hexdigest()


def _name(part: Path, target: Path) -> None:
    """Give a finished file its name unless another file has it by now."""
    try:
        os.link(part, target)  # fails if the name is taken, which a rename would not
    except FileExistsError:
        raise
    except (OSError, AttributeError, NotImplementedError):  # file systems of cards know no second names
        if os.path.lexists(target):
            raise FileExistsError from None
        put_in_place(part, target)
        return
    part.unlink()


def _unreadable(source: Path, error: OSError) -> UnreadableFile:
    return UnreadableFile(source, f"cannot be read ({error.strerror or error})")
