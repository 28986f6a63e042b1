"""A file's identity by its content."""

from __future__ import annotations

import hashlib
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
