"""A file's identity by its content."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from belvedere.errors import UnreadableFile


def file_sha256(file: Path) -> str:
    """SHA-256 of a file's bytes as 64 hexadecimal digits, read in pieces.

    Raises
    ------
    UnreadableFile
        If the file cannot be read.

    References
    ----------
    FIPS 180-4, Secure Hash Standard.
    """
    try:
        with file.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise UnreadableFile(file, f"cannot be read ({error.strerror or error})") from error


def joined_digest(digests: Sequence[str]) -> str:
    """One identity for several files in their order: a single file's own, else SHA-256 over all of theirs."""
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256("\n".join(digests).encode()).hexdigest()
