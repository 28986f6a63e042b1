"""Are the picture, its report and its sources still what the manifest says? All of them are read again."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from belvedere.capture.digest import file_sha256
from belvedere.compose.report import Report, read_report, report_path
from belvedere.deliver.keep_manifest import KeepManifest, manifest_path, read_keep_manifest, sources_of
from belvedere.errors import UnreadableFile

State = Literal["same", "changed", "missing", "unreadable", "not-on-record"]
Role = Literal["picture", "report", "source", "word", "made-from"]

_PARENTS, _DEPTH = 3, 2


@dataclass(frozen=True, slots=True)
class Checked:
    """One file.

    Parameters
    ----------
    role : str
        What it is to the picture.
    file : str
        As on record.
    state : str
        "same" by its content, wherever it was found; "changed" where only a file of its name was found and
        its content is another; "missing"; "unreadable"; "not-on-record" where its content was never written
        down.
    found : Path or None
        Where.
    """

    role: Role
    file: str
    state: State
    found: Path | None = None

    @property
    def is_fine(self) -> bool:
        """Whether nothing is wrong with it as far as can be told; what it was made from need not be there."""
        return self.state in ("same", "not-on-record") or (self.role, self.state) == ("made-from", "missing")


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found.

    Parameters
    ----------
    record : Path
        The manifest, or the report where there is no manifest.
    files : tuple of Checked
        Picture, report, sources in the set's order, the person's word, the picture it was made from.
    """

    record: Path
    files: tuple[Checked, ...]

    @property
    def is_same(self) -> bool:
        """Whether nothing is wrong with any file."""
        return all(checked.is_fine for checked in self.files)


def verify(
    path: Path, sources: Path | None = None, progress: Callable[[float], None] | None = None
) -> Verification:
    """Read everything again that a manifest names, and tell.

    Parameters
    ----------
    path : Path
        A kept picture or its manifest; or a stitched picture, or its report: then its sources are checked,
        and of the picture only that it is there, for a report does not hold its content.
    sources : Path, optional
        Folder with the set's files, searched with all below it; else the record's folder, two folders down
        from it and three up.
    progress : function of a share, 0 to 1, optional

    Raises
    ------
    UnreadableFile
        If there is no such record.
    """
    record, kept, report = _record(path)
    wanted = list(_wanted(kept, report))
    places = _places(record.parent, sources, [PurePosixPath(file).name for _, file, _ in wanted])
    checked = []
    for done, (role, file, digest) in enumerate(wanted):
        checked.append(_check(role, file, digest, places(role, file)))
        if progress is not None:
            progress((done + 1) / len(wanted))
    return Verification(record, tuple(checked))


def _record(path: Path) -> tuple[Path, KeepManifest | None, Report | None]:
    """The manifest or report that tells of a picture, or that was given."""
    if path.name.endswith(".report.json"):
        return path, None, read_report(path)
    if path.suffix.lower() == ".json":
        return path, read_keep_manifest(path), None
    manifest, report = manifest_path(path), report_path(path)
    if manifest.exists():
        return manifest, read_keep_manifest(manifest), None
    if report.exists():
        return report, None, read_report(report)
    why = f"has neither {manifest.name} nor {report.name} beside it: what it should be is not on record"
    raise UnreadableFile(path, why if path.exists() else "is not there")


def _wanted(kept: KeepManifest | None, report: Report | None) -> Iterator[tuple[Role, str, str | None]]:
    """Role, name and SHA-256 of every file on record."""
    if kept is not None:
        yield "picture", kept.picture.file, kept.picture.sha256
        if kept.report is not None:
            yield "report", kept.report.file, kept.report.sha256
    elif report is not None and report.picture is not None:
        yield "picture", report.picture.file, None
    for source in kept.sources if kept is not None else sources_of(report):
        yield "source", source.file, source.sha256
    word = kept.word if kept is not None else report.word if report is not None else None
    if word is not None:
        yield "word", word.file, word.sha256
    if kept is not None:
        yield "made-from", kept.made_from.file, kept.made_from.sha256


def _places(folder: Path, sources: Path | None, names: list[str]) -> Callable[[Role, str], Iterator[Path]]:
    """Where a file may lie, likeliest first."""
    if sources is not None and not sources.is_dir():
        raise UnreadableFile(sources, "is no folder; give the one that holds the set's files")
    below = _found_below(sources or folder, set(names), _DEPTH if sources is None else None)

    def places(role: Role, file: str) -> Iterator[Path]:
        part = PurePosixPath(file)
        if role != "source":
            yield folder / part.name
        if role in ("source", "word"):
            roots = (folder, *folder.resolve().parents[:_PARENTS]) if sources is None else (sources,)
            for root in roots:
                yield root / part
                yield root / part.name
            yield from below.get(part.name, ())

    return places


def _found_below(root: Path, names: set[str], depth: int | None) -> dict[str, list[Path]]:
    """Files of these names in a folder and those below it, at most so deep."""
    found: dict[str, list[Path]] = {}
    top = len(root.parts)
    for where, folders, files in os.walk(root):
        folders[:] = sorted(folders) if depth is None or len(Path(where).parts) - top < depth else []
        for name in sorted(names.intersection(files)):
            found.setdefault(name, []).append(Path(where) / name)
    return found


def _check(role: Role, file: str, digest: str | None, places: Iterator[Path]) -> Checked:
    """The first file of this content, else the first of this name."""
    other: Checked | None = None
    for place in dict.fromkeys(places):
        if not place.is_file():
            continue
        if digest is None:
            return Checked(role, file, "not-on-record", place)
        try:
            if file_sha256(place) == digest:
                return Checked(role, file, "same", place)
            other = other if other and other.state == "changed" else Checked(role, file, "changed", place)
        except UnreadableFile:
            other = other or Checked(role, file, "unreadable", place)
    return other or Checked(role, file, "missing")
