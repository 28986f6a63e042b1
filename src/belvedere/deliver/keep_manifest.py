"""OUT.manifest.json beside a picture to keep: what it was made of and how, by SHA-256.

Schema `belvedere.kept/1`. Readers ignore keys they do not know. SHA-256: FIPS 180-4.
"""

from __future__ import annotations

from pathlib import Path, PurePath
from typing import Annotated, Any

import msgspec

from belvedere.checked_json import read_checked, shown
from belvedere.compose.finished_file import finished_file
from belvedere.compose.report import Report
from belvedere.errors import UnreadableFile

SCHEMA = "belvedere.kept/1"

Count = Annotated[int, msgspec.Meta(ge=0)]
Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]


class HashedFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file by name, beside the manifest if not said otherwise, its size and its content."""

    file: str
    bytes: Count
    sha256: Sha256


class SourceFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file of the set: path under the card with /, its content, and whether the picture shows it."""

    file: str
    sha256: Sha256
    used: bool


class KeepSettings(msgspec.Struct, frozen=True, kw_only=True):
    """How the samples are laid out: sizes in px, bits a sample, samples a pixel, sizes in the file."""

    width: Count
    height: Count
    bits: Count
    samples: Count
    levels: Count
    tile: Count
    bigtiff: bool
    compression: str = "deflate"
    predictor: Count = 2


class MadeBy(msgspec.Struct, frozen=True, kw_only=True):
    """Belvedere's version, and the versions of the libraries that made the file."""

    version: str
    dependencies: dict[str, str] = {}


class KeepManifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a kept picture was made of.

    Parameters
    ----------
    picture : HashedFile
        The kept picture itself.
    report : HashedFile or None
        How the set was stitched: beside the manifest, if anything is known of it.
    made_from : HashedFile
        The picture that was delivered; it need not be kept.
    sources : tuple of SourceFile
        The set's files, in the order of the report.
    word : SourceFile or None
        The person's word that was heeded.
    invented : tuple
        What was invented rather than photographed, as the report tells it.
    """

    schema: str = SCHEMA
    picture: HashedFile
    report: HashedFile | None = None
    made_from: HashedFile
    sources: tuple[SourceFile, ...] = ()
    word: SourceFile | None = None
    invented: tuple[Any, ...] = ()
    digital_source_type: str | None = None
    settings: KeepSettings
    software: MadeBy


def manifest_path(picture: Path) -> Path:
    """Where the manifest of a picture lies: OUT.manifest.json beside OUT.tif."""
    return picture.with_name(picture.stem + ".manifest.json")


def sources_of(report: Report | None) -> tuple[SourceFile, ...]:
    """Every exposure that a report names."""
    frames = report.frames if report is not None else ()
    return tuple(
        SourceFile(file=exposure.file, sha256=exposure.sha256, used=frame.used)
        for frame in frames
        for exposure in frame.exposures
    )


def read_keep_manifest(path: Path) -> KeepManifest:
    """Read a manifest.

    Raises
    ------
    UnreadableFile
        If it cannot be read, does not fit its schema, or names a file outside its folder.
    """
    manifest = read_checked(path, KeepManifest, SCHEMA)
    beside = [("picture", manifest.picture), ("report", manifest.report)]
    for key, named in beside:
        if named is not None and PurePath(named.file).name != named.file:
            raise UnreadableFile(path, f"{key}.file: {shown(named.file)} is no file beside it")
    return manifest


def write_keep_manifest(path: Path, manifest: KeepManifest) -> None:
    """Write a manifest, whole or not at all; raises OutputFailed."""
    with finished_file(path) as stream:
        stream.write(msgspec.json.format(msgspec.json.encode(manifest), indent=2) + b"\n")
