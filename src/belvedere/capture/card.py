"""What lies on a camera's card: one shot for each press of the release, read by headers alone."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from belvedere.capture.containers import RAW_SUFFIXES
from belvedere.capture.found_files import (
    HEIF_SUFFIXES,
    file_identity,
    find_files,
    natural_key,
    stem_key,
    was_made_here,
)
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile


class Mapper(Protocol):
    """Applies a function to jobs, results in the order of the jobs, as `map` does."""

    def __call__(self, function: Callable[[Any], Any], jobs: Iterable[Any], /) -> Iterable[Any]: ...


@dataclass(frozen=True)
class Shot:
    """One press of the release.

    Parameters
    ----------
    exposure : Exposure
        The picture that is used: the picture file, or the raw file where it is alone.
    twin : Path or None
        The raw file of the same shot beside the picture.
    place : str
        Path of the exposure's file under the card, with / between folders.
    counter : int or None
        The number the camera gave: of a DCF name (four characters, four digits) its four digits, else the
        digits at the end of the name; None where it ends otherwise.
    """

    exposure: Exposure
    twin: Path | None
    place: str
    counter: int | None


@dataclass(frozen=True)
class Card:
    """What was found on a card.

    Parameters
    ----------
    root : Path
        As given.
    shots : tuple of Shot
        By place, numbers in names counted as numbers.
    unreadable : tuple of (str, str)
        Places of what looks like a picture and cannot be used, each with the reason, in words that follow it.
    sidecars : int
        Files of edits beside the pictures. They are not applied.
    notices : tuple of str
        What else a person should know, a sentence each.
    """

    root: Path
    shots: tuple[Shot, ...]
    unreadable: tuple[tuple[str, str], ...] = ()
    sidecars: int = 0
    notices: tuple[str, ...] = ()


def read_card(root: Path, run: Mapper = map) -> Card:
    """Find the shots in a folder and all folders below it; headers are read, pixels are not.

    Parameters
    ----------
    root : Path
        A card, its DCIM folder, or a copy of either.
    run : Mapper
        How files are read: `map`, or the like over threads.

    Raises
    ------
    UnreadableFile
        If `root` is no folder, or is gone at the end.

    Notes
    -----
    Hidden files (a leading dot) are left out. A file or folder reached twice, by a link, counts once. A raw
    file belongs to the picture of the same name beside it, or, where cameras and people put the two into
    different folders, to the only picture anywhere of the same name, camera and second. Where that picture
    cannot be read, the raw file is the shot.

    References
    ----------
    CIPA DC-009 (DCF 2.0), 3.2: DCIM, directory and file names.
    """
    if not root.is_dir():
        raise UnreadableFile(root, "is not a folder" if root.exists() else "is not there")
    bad: list[tuple[Path, str]] = []
    notices: list[str] = []
    others: list[Path] = []
    files = _once(root, find_files([root], True, bad, others), bad, notices)
    pictures = [file for file in files if not _is_raw(file)]
    raws = [file for file in files if _is_raw(file)]

    read: dict[Path, Metadata] = {}

    def take(wanted: list[Path]) -> None:
        for file, found in zip(wanted, run(_metadata_or_why, wanted), strict=True):
            if isinstance(found, str):
                bad.append((file, found))
            else:
                read[file] = found

    take(pictures)
    twins = _twins_beside([file for file in pictures if file in read], raws)
    taken = set(twins.values())
    take([raw for raw in raws if raw not in taken])
    twins |= _twins_elsewhere(read, twins)
    taken = set(twins.values())
    shots = [
        Shot(Exposure(file, metadata), twins.get(file), _place(file, root), counter_of(file.stem))
        for file, metadata in read.items()
        if file not in taken
    ]
    if not root.is_dir():
        raise UnreadableFile(
            root, "is no longer there; if the card was pulled out, put it back and start again"
        )
    sidecars = _count_sidecars(others, {file.name.casefold() for file in files})
    if sidecars:
        notices.append(
            f"{sidecars} {'sidecar file lies' if sidecars == 1 else 'sidecar files lie'} beside the pictures:"
            " edits are not applied"
        )
    if twins:
        pairs = "1 raw file belongs" if len(twins) == 1 else f"{len(twins)} raw files belong"
        notices.append(f"{pairs} to a picture of the same name; each pair counts as one frame")
    return Card(
        root,
        tuple(sorted(shots, key=lambda shot: (natural_key(shot.place), shot.place))),
        tuple(sorted(((_place(file, root), why) for file, why in bad), key=lambda b: natural_key(b[0]))),
        sidecars,
        tuple(notices),
    )


def counter_of(stem: str) -> int | None:
    """The camera's number in a name without suffix; see `Shot.counter`."""
    dcf = re.fullmatch(r"[A-Za-z0-9_]{4}([0-9]{4})", stem)
    digits = dcf or re.search(r"([0-9]+)$", stem, re.ASCII)
    return int(digits.group(1)) if digits else None


def _metadata_or_why(file: Path) -> Metadata | str:
    try:
        return read_metadata(file)
    except UnreadableFile as error:
        return error.why


def _is_raw(file: Path) -> bool:
    return file.suffix.lower() in RAW_SUFFIXES


def _once(root: Path, found: Iterable[Path], bad: list[tuple[Path, str]], notices: list[str]) -> list[Path]:
    """Files to read: each once, without pictures made here and names that are no text."""
    seen: set[str] = set()
    kept = []
    repeated = made = 0
    for file in found:
        identity = file_identity(file)
        if identity in seen:
            repeated += 1
            continue
        seen.add(identity)
        if was_made_here(file):
            made += 1
        elif _is_no_text(str(file.relative_to(root))):
            bad.append((file, "has a name, or lies in a folder, that is not text here; rename a copy of it"))
        else:
            kept.append(file)
    if repeated:
        notices.append(
            f"{repeated} {'file is a link' if repeated == 1 else 'files are links'} to another on the card,"
            " which counts once"
        )
    if made:
        notices.append(
            f"{made} {'picture was' if made == 1 else 'pictures were'} made earlier (a report lies beside),"
            " not shot, and left out"
        )
    return kept


def _is_no_text(name: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in name)


def _place(file: Path, root: Path) -> str:
    """Path under the card; a byte that is no text is written as its number."""
    place = file.relative_to(root) if file.is_relative_to(root) else file
    return place.as_posix().encode("utf-8", "backslashreplace").decode("utf-8")


def _twins_beside(pictures: list[Path], raws: list[Path]) -> dict[Path, Path]:
    """Picture to the raw file of the same name in its folder; a JPEG goes first, then a HEIF."""
    by_stem: dict[str, list[Path]] = defaultdict(list)
    for picture in pictures:
        by_stem[stem_key(picture)].append(picture)
    twins: dict[Path, Path] = {}
    for raw in raws:
        same = [picture for picture in by_stem[stem_key(raw)] if picture not in twins]
        if same:
            twins[min(same, key=_straight_from_camera)] = raw
    return twins


def _straight_from_camera(picture: Path) -> int:
    suffix = picture.suffix.lower()
    return 0 if suffix.startswith(".j") else 1 if suffix in HEIF_SUFFIXES else 2


def _twins_elsewhere(read: dict[Path, Metadata], twins: dict[Path, Path]) -> dict[Path, Path]:
    """Picture to the raw file of another folder that can only be its own: same name, camera and second."""

    def key(file: Path) -> tuple[object, ...] | None:
        metadata = read[file]
        if metadata.taken is None or metadata.model is None:
            return None
        return file.stem.casefold(), metadata.model, metadata.taken.replace(microsecond=0)

    sides: tuple[dict[object, list[Path]], dict[object, list[Path]]] = defaultdict(list), defaultdict(list)
    for file in read:
        own = key(file)
        if own is not None and file not in twins:
            sides[_is_raw(file)][own].append(file)
    pictures, raws = sides
    return {
        pictures[own][0]: found[0]
        for own, found in raws.items()
        if len(found) == 1 and len(pictures.get(own, ())) == 1
    }


def _count_sidecars(others: list[Path], names: set[str]) -> int:
    """Files of edits: by the suffix of ISO 16684-1 (.xmp), or named after a whole picture name and more."""
    return sum(file.suffix.lower() == ".xmp" or file.stem.casefold() in names for file in others)
