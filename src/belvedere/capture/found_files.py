"""Files of a folder or a card that look like pictures, in the order people count, each met once."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from belvedere.capture.containers import RAW_SUFFIXES

HEIF_SUFFIXES = frozenset({".heic", ".heif", ".hif"})
"""Names of pictures in the High Efficiency Image File Format (ISO/IEC 23008-12), lower case."""

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".tif", ".tiff", ".png"}) | HEIF_SUFFIXES
"""Names by which a folder's files are taken for frames, lower case."""

_OTHER_PICTURE_SUFFIXES = frozenset({".avif", ".webp", ".jxl", ".jp2", ".bmp", ".gif"})


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that counts runs of digits as numbers, so that 2 comes before 10; letters without case."""
    return tuple(
        (0, int(part), part) if part.isdecimal() and part.isascii() else (1, 0, part.casefold())
        for part in re.split(r"([0-9]+)", name)
        if part
    )


def find_files(
    paths: Sequence[Path],
    subfolders: bool,
    unreadable: list[tuple[Path, str]],
    others: list[Path] | None = None,
) -> Iterator[Path]:
    """Files named, and files in folders named that look like pictures; hidden ones are left out.

    Parameters
    ----------
    paths : sequence of Path
        Files are given back whatever they are called.
    subfolders : bool
        Whether folders within folders are searched. A folder reached twice, by a link, is searched once.
    unreadable : list of (Path, str)
        Receives what cannot be searched, with the reason.
    others : list of Path or None
        Receives the files in folders that do not look like pictures.
    """
    searched: set[str] = set()
    for path in paths:
        if path.is_dir():
            yield from _in_folder(path, subfolders, searched, unreadable, others)
        else:
            yield path


def _in_folder(
    folder: Path,
    subfolders: bool,
    searched: set[str],
    unreadable: list[tuple[Path, str]],
    others: list[Path] | None,
) -> Iterator[Path]:
    identity = file_identity(folder)
    if identity in searched:
        return
    searched.add(identity)
    try:
        entries = sorted(folder.iterdir(), key=lambda entry: natural_key(entry.name))
    except OSError as error:
        unreadable.append((folder, f"cannot be searched ({error.strerror or error})"))
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        suffix = entry.suffix.lower()
        looks = suffix in PICTURE_SUFFIXES or suffix in RAW_SUFFIXES or suffix in _OTHER_PICTURE_SUFFIXES
        if entry.is_dir():
            if subfolders and suffix != ".work":
                yield from _in_folder(entry, subfolders, searched, unreadable, others)
            elif looks:
                unreadable.append((entry, "is a folder with a picture's name"))
        elif looks:
            yield entry
        elif others is not None:
            others.append(entry)


def file_identity(path: Path) -> str:
    """One name for one file, however it is reached."""
    try:
        return os.path.normcase(path.resolve())
    except (OSError, RuntimeError):  # a link that leads to itself
        return os.path.normcase(path.absolute())


def stem_key(path: Path) -> str:
    """Folder and name without suffix, without case: what a raw file and its picture share."""
    return str(path.parent / path.stem).casefold()


def was_made_here(path: Path) -> bool:
    """Whether a report lies beside a picture or a preview, which marks it as made and not shot."""
    stem = path.stem.removesuffix(".preview")
    return path.with_name(f"{stem}.report.json").is_file()


def listed(paths: Sequence[Path]) -> str:
    """The first of some files, and how many more there are."""
    return str(paths[0]) if len(paths) == 1 else f"{paths[0]} and {len(paths) - 1} more"
