"""`manifest.json` in a folder of copies: which file of the card every copy is, and what is in it.

Schema `belvedere.copies/1`. Readers ignore keys they do not know.
"""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import Annotated

import msgspec

from belvedere.checked_json import read_checked, shown
from belvedere.compose.finished_file import finished_file
from belvedere.errors import UnreadableFile

SCHEMA = "belvedere.copies/1"
NAME = "manifest.json"

Count = Annotated[int, msgspec.Meta(ge=0)]
Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]


class CopiedFile(msgspec.Struct, frozen=True, kw_only=True):
    """One copy: path under the card, path under the folder, both with /, and the content of both."""

    file: str
    copy: str
    bytes: Count
    sha256: Sha256


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """All copies in a folder that were made of a card, in the order of its series."""

    schema: str = SCHEMA
    card: str
    files: tuple[CopiedFile, ...] = ()


def read_manifest(folder: Path) -> Manifest | None:
    """The manifest of a folder; None where it has none.

    Raises
    ------
    UnreadableFile
        If it cannot be read, does not fit its schema, or names a copy outside the folder.
    """
    file = folder / NAME
    if not file.exists():
        return None
    manifest = read_checked(file, Manifest, SCHEMA)
    for k, copied in enumerate(manifest.files):
        path = PurePath(copied.copy)
        if path.anchor or ".." in path.parts or not path.parts:
            raise UnreadableFile(file, f"files[{k}].copy: {shown(copied.copy)} is no path in this folder")
    return manifest


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write the manifest; one that is there stays whole until the new one is.

    Raises
    ------
    OutputFailed
        If it cannot be written.
    """
    with finished_file(folder / NAME) as stream:
        stream.write(msgspec.json.format(msgspec.json.encode(manifest), indent=1) + b"\n")
