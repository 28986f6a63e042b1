"""From files and folders to frames in the order they were shot."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from belvedere.capture.containers import RAW_SUFFIXES
from belvedere.capture.found_files import (
    PICTURE_SUFFIXES,
    file_identity,
    find_files,
    listed,
    natural_key,
    stem_key,
    was_made_here,
)
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile


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
    as_given: bool = False,
    raw_first: bool = False,
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
    as_given : bool
        Whether the frames come in the order of `paths` and not by their times.
    raw_first : bool
        Of a raw file and a picture of the same name take the raw file.

    Returns
    -------
    Gathered
        A file met twice counts once. A raw file beside a picture of the same name that can be read is passed
        over, or the picture where `raw_first`. A picture with a report beside it (`NAME.report.json`) was
        made here before and is no frame.
    """
    unreadable: list[tuple[Path, str]] = []
    notices: list[str] = []
    barred = {file_identity(path) for path in exclude}
    found: dict[str, Path] = {}
    repeated = 0
    for path in find_files(paths, subfolders, unreadable):
        identity = file_identity(path)
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
    shown: set[str] = set()  # names under which the first kind was read: the second is not needed
    twins: list[Path] = []
    for path in sorted(found.values(), key=_is_raw, reverse=raw_first):
        if was_made_here(path):
            notices.append(f"{path}: is a picture made earlier (its report lies beside it), not a frame")
            continue
        if _is_raw(path) != raw_first and stem_key(path) in shown:
            twins.append(path)
            continue
        try:
            frames.append(Frame((Exposure(path, read_metadata(path)),)))
        except UnreadableFile as error:
            unreadable.append((path, error.why))
            continue
        if _is_raw(path) if raw_first else path.suffix.lower() in PICTURE_SUFFIXES:
            shown.add(stem_key(path))
    if twins and raw_first:
        notices.append(f"{listed(twins)}: passed over for the raw file of the same name")
    elif twins:
        notices.append(f"{listed(twins)}: raw, passed over for the picture of the same name")
    if as_given:
        place = {path: k for k, path in enumerate(found.values())}
        frames.sort(key=lambda frame: place[frame.file])
    else:
        frames, said = _in_order(frames)
        notices += said
    if masks is not None:
        frames = _with_masks(frames, masks, unreadable, notices)
    return Gathered(
        tuple(frames), tuple(sorted(unreadable, key=lambda u: natural_key(str(u[0])))), tuple(notices)
    )


def _is_raw(path: Path) -> bool:
    return path.suffix.lower() in RAW_SUFFIXES


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
        f"{listed(untimed)}: no time of exposure, so all frames are taken in the order of their names"
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
        notices.append(f"{listed(unused)}: no frame of that name, so the mask is not used")
    return masked
