"""From files and folders to frames in the order they were shot."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from belvedere.capture.containers import RAW_NOT_READ, RAW_SUFFIXES
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".tif", ".tiff", ".png"})
"""Names by which a folder's files are taken for frames, lower case."""

_OTHER_PICTURE_SUFFIXES = frozenset(
    {".heic", ".heif", ".hif", ".avif", ".webp", ".jxl", ".jp2", ".bmp", ".gif"}
)


@dataclass(frozen=True)
class Gathered:
    """What was found.

    Parameters
    ----------
    frames : tuple of Frame
        By the time they were taken where every frame tells it, else by name; one exposure each.
    unreadable : tuple of (Path, str)
        Files that look like frames and cannot be used, each with the reason, in words that follow its name.
    notices : tuple of str
        What else a person should know, one sentence each.
    """

    frames: tuple[Frame, ...]
    unreadable: tuple[tuple[Path, str], ...] = ()
    notices: tuple[str, ...] = ()


def gather(
    paths: Sequence[Path],
    exclude: Collection[Path] = (),
    *,
    masks: Path | None = None,
    subfolders: bool = False,
) -> Gathered:
    """Find the frames among files and folders; headers are read, pixels are not.

    Parameters
    ----------
    paths : sequence of Path
        Files are taken whatever they are called; of folders, the files with a picture's suffix, hidden ones
        (a leading dot) left out.
    exclude : collection of Path
        Files that are never frames: what is being made, and its preview.
    masks : Path or None
        Folder of masks: for frame `a.jpg` the PNG `a.png` or `a.jpg.png`, of the frame's displayed size.
    subfolders : bool
        Whether folders within folders are searched too. A folder reached twice, by a link, is searched once.

    Returns
    -------
    Gathered
        A file met twice counts once. A raw file beside a picture of the same name is passed over. A picture
        with a report beside it (`NAME.report.json`) was made here before and is no frame.
    """
    unreadable: list[tuple[Path, str]] = []
    notices: list[str] = []
    barred = {_identity(path) for path in exclude}
    found: dict[str, Path] = {}
    repeated = 0
    for path in _candidates(paths, subfolders, unreadable):
        identity = _identity(path)
        if identity in barred:
            continue
        if identity in found:
            repeated += 1
            continue
        found[identity] = path
    if repeated:
        notices.append(
            f"{repeated} of the files named {'is' if repeated == 1 else 'are'} the same as another"
        )

    frames: list[Frame] = []
    pictures = {_stem(path) for path in found.values() if path.suffix.lower() in PICTURE_SUFFIXES}
    twins: list[Path] = []
    for path in found.values():
        if _was_made_here(path):
            notices.append(f"{path}: is a picture made earlier (its report lies beside it), not a frame")
            continue
        if path.suffix.lower() in RAW_SUFFIXES:
            if _stem(path) in pictures:
                twins.append(path)
            else:
                unreadable.append((path, RAW_NOT_READ))
            continue
        try:
            frames.append(Frame((Exposure(path, read_metadata(path)),)))
        except UnreadableFile as error:
            unreadable.append((path, error.why))
    if twins:
        notices.append(f"{_listed(twins)}: raw, passed over for the picture of the same name")
    frames, said = _in_order(frames)
    notices += said
    if masks is not None:
        frames = _with_masks(frames, masks, unreadable, notices)
    return Gathered(
        tuple(frames), tuple(sorted(unreadable, key=lambda u: natural_key(str(u[0])))), tuple(notices)
    )


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that counts runs of digits as numbers, so that 2 comes before 10; letters without case."""
    return tuple(
        (0, int(part), part) if part.isdecimal() and part.isascii() else (1, 0, part.casefold())
        for part in re.split(r"([0-9]+)", name)
        if part
    )


def _candidates(
    paths: Sequence[Path], subfolders: bool, unreadable: list[tuple[Path, str]]
) -> Iterator[Path]:
    """Files named, and files in folders named that look like frames."""
    searched: set[str] = set()
    for path in paths:
        if path.is_dir():
            yield from _in_folder(path, subfolders, searched, unreadable)
        else:
            yield path


def _in_folder(
    folder: Path, subfolders: bool, searched: set[str], unreadable: list[tuple[Path, str]]
) -> Iterator[Path]:
    identity = _identity(folder)
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
                yield from _in_folder(entry, subfolders, searched, unreadable)
            elif looks:
                unreadable.append((entry, "is a folder with a picture's name"))
        elif looks:
            yield entry


def _identity(path: Path) -> str:
    """One name for one file, however it is reached."""
    try:
        return os.path.normcase(path.resolve())
    except (OSError, RuntimeError):  # a link that leads to itself
        return os.path.normcase(path.absolute())


def _stem(path: Path) -> str:
    """Folder and name without suffix, without case: what a raw file and its picture share."""
    return str(path.parent / path.stem).casefold()


def _was_made_here(path: Path) -> bool:
    """Whether a report lies beside a picture or a preview, which marks it as made and not shot."""
    stem = path.stem.removesuffix(".preview")
    return path.with_name(f"{stem}.report.json").is_file()


def _listed(paths: Sequence[Path]) -> str:
    return str(paths[0]) if len(paths) == 1 else f"{paths[0]} and {len(paths) - 1} more"


def _in_order(frames: list[Frame]) -> tuple[list[Frame], list[str]]:
    """Frames by time and then name; by name alone where a frame does not tell its time."""

    def by_name(frame: Frame) -> tuple[object, ...]:
        return natural_key(frame.name), natural_key(str(frame.file.parent))

    ordered = sorted(frames, key=by_name)
    untimed = [frame.file for frame in ordered if frame.metadata.taken is None]
    if not untimed:
        return sorted(ordered, key=lambda frame: frame.metadata.taken or datetime.min), []
    if len(untimed) == len(ordered):
        return ordered, []
    return ordered, [
        f"{_listed(untimed)}: no time of exposure, so all frames are taken in the order of their names"
    ]


def _with_masks(
    frames: list[Frame], folder: Path, unreadable: list[tuple[Path, str]], notices: list[str]
) -> list[Frame]:
    """The frames with the masks that a folder holds for them."""
    if not folder.is_dir():
        unreadable.append((folder, "is no folder, so there are no masks"))
        return frames
    by_name = {path.stem.casefold(): path for path in sorted(folder.glob("*.[pP][nN][gG]"))}
    masked, used = [], set()
    for frame in frames:
        mask = by_name.get(frame.name.casefold()) or by_name.get(frame.file.stem.casefold())
        if mask is not None:
            used.add(mask)
            try:
                size = read_metadata(mask)
            except UnreadableFile as error:
                unreadable.append((mask, error.why))
                mask = None
            else:
                wanted = (frame.metadata.width, frame.metadata.height)
                if (size.width, size.height) != wanted:
                    why = f"is {size.width} x {size.height} px, but {frame.name} is {wanted[0]} x {wanted[1]}"
                    unreadable.append((mask, why))
                    mask = None
        masked.append(Frame(frame.exposures, mask) if mask is not None else frame)
    unused = [path for path in by_name.values() if path not in used]
    if unused:
        notices.append(f"{_listed(unused)}: no frame of that name, so the mask is not used")
    return masked
