"""A sorted card copied: a folder a series, every file verified, safe to stop and to run again."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from belvedere.compose.finished_file import disk_space, free_bytes, output_failed
from belvedere.errors import OutputFailed, UnreadableFile
from belvedere.pipeline.copy_file import DifferentFile, copy_file
from belvedere.pipeline.copy_plan import PlannedCopy, plan_copies
from belvedere.pipeline.manifest import NAME, CopiedFile, Manifest, read_manifest, write_manifest
from belvedere.pipeline.progress import Progress
from belvedere.survey.sorting.sorted_card import SortedCard

_GONE = 3  # files in a row that cannot be read: the card is gone
_ROOM_BYTES = 16 << 20  # left free for the manifest and the file system's own
_PULLED = "the card can no longer be read. Put it back and run the same command again: it goes on from there"


@dataclass
class Copies:
    """What was copied.

    Parameters
    ----------
    folder : Path
    planned : int
        Files to be copied.
    files : list of CopiedFile
        Those that are there now and verified.
    were_there : int
        Of these, copied by an earlier run.
    failed : list of (file, why)
        Those that are not, by their paths under the card.
    stopped : str or None
        Why the rest was not tried.
    notices : list of str
        What else a person should know.
    """

    folder: Path
    planned: int
    files: list[CopiedFile] = field(default_factory=list)
    were_there: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)
    stopped: str | None = None
    notices: list[str] = field(default_factory=list)

    @property
    def is_complete(self) -> bool:
        return len(self.files) == self.planned


def copy_series(card: SortedCard, root: Path, folder: Path, progress: Progress) -> Copies:
    """Copy all series of a card, each into a folder of its name; the card is only read.

    Parameters
    ----------
    card : SortedCard
    root : Path
        Where the card is.
    folder : Path
        Made if it is not there; the folder above it must be.
    progress : Progress

    Returns
    -------
    Copies
        A file that cannot be read, and one whose name another file has, are named and passed over. Where the
        card is gone or the disk full, what was copied stays, and the manifest says what that is.

    Raises
    ------
    OutputFailed
        If the folder cannot be used: not writable, on the card, with copies of another card, too little room.
    """
    plan = plan_copies(root, card)
    check_copies_folder(folder, root)
    before = _manifest_of_this_card(folder, plan)
    try:
        folder.mkdir(exist_ok=True)
        for name in dict.fromkeys(p.copy.partition("/")[0] for p in plan):
            _make_folder(folder / name, root)
    except OSError as error:
        raise output_failed(folder / NAME, error) from error
    sizes = [_size(p.source) for p in plan]
    _check_room(folder, plan, sizes)
    _remove_left_over_parts(folder, plan)
    copies = Copies(folder, len(plan))
    progress.begin("copies")
    total = max(1, 2 * sum(sizes))
    done = 0

    def advance(size: int) -> None:
        nonlocal done
        done += size
        progress.advance(done / total)

    def note() -> None:
        """Write down what is there. A manifest that knows more than was reached this time stays."""
        if copies.files and (before is None or copies.is_complete or len(copies.files) >= len(before.files)):
            write_manifest(folder, Manifest(card=card.card, files=tuple(copies.files)))

    try:
        _copy_all(plan, root, copies, advance, note)
    except BaseException:  # Ctrl-C too
        with suppress(OutputFailed):
            note()
        raise
    try:
        note()
    except OutputFailed as error:
        copies.stopped = copies.stopped or str(error)
    progress.finish()
    copies.notices += _strangers(folder, plan)
    return copies


def check_copies_folder(folder: Path, root: Path) -> None:
    """Raise OutputFailed unless copies of a card can go there; nothing is left behind."""
    if folder.resolve().is_relative_to(root.resolve()):
        raise OutputFailed(f"{folder}: lies on the card, which is never written to. Choose another folder.")
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputFailed(f"{folder}: is a file. Choose a folder.")
    probe = (folder if folder.is_dir() else folder.parent) / f".belvedere.part-{os.getpid()}"
    try:
        with probe.open("wb"):
            pass
    except OSError as error:
        raise output_failed(folder / NAME if folder.is_dir() else folder, error) from error
    finally:
        with suppress(OSError):
            probe.unlink()


def _make_folder(folder: Path, root: Path) -> None:
    if folder.resolve().is_relative_to(root.resolve()):
        raise OutputFailed(f"{folder}: leads to the card, which is never written to. Choose another folder.")
    if os.path.lexists(folder) and not folder.is_dir():
        raise OutputFailed(f"{folder}: is a file, and a series needs a folder of this name. Move it away.")
    folder.mkdir(exist_ok=True)


def _copy_all(
    plan: Sequence[PlannedCopy],
    root: Path,
    copies: Copies,
    advance: Callable[[int], None],
    note: Callable[[], None],
) -> None:
    """Copy one file after the other; note what is done after every series."""
    unread = 0
    for k, planned in enumerate(plan):
        try:
            copy = copy_file(planned.source, copies.folder / planned.copy, advance)
        except UnreadableFile as error:
            copies.failed.append((planned.file, error.why))
            unread += 1
            if unread >= _GONE or not root.is_dir():
                copies.stopped = _PULLED
                return
            continue
        except DifferentFile as error:
            copies.failed.append((planned.file, str(error)))
            unread = 0
            continue
        except OutputFailed as error:
            copies.failed.append((planned.file, "is not copied"))
            copies.stopped = f"{error} What is copied stays; the same command goes on from there"
            return
        unread = 0
        copies.were_there += copy.was_there
        copies.files.append(
            CopiedFile(file=planned.file, copy=planned.copy, bytes=copy.size_bytes, sha256=copy.sha256)
        )
        following = plan[k + 1].copy if k + 1 < len(plan) else ""
        if following.partition("/")[0] != planned.copy.partition("/")[0] and not copy.was_there:
            try:
                note()
            except OutputFailed as error:
                copies.stopped = str(error)
                return
    if unread and unread == len(plan):
        copies.stopped = _PULLED


def _manifest_of_this_card(folder: Path, plan: Sequence[PlannedCopy]) -> Manifest | None:
    """The manifest that an earlier run left.

    Raises
    ------
    OutputFailed
        If it is of another card: a folder holds the copies of one.
    """
    try:
        manifest = read_manifest(folder)
    except UnreadableFile as error:
        raise OutputFailed(f"{error}. Move it away, or choose another folder.") from error
    if manifest is None or not manifest.files:
        return None
    known = {(copied.file, copied.bytes) for copied in manifest.files}
    if not any((planned.file, _size(planned.source)) in known for planned in plan):
        raise OutputFailed(
            f"{folder}: holds copies of another card ({manifest.card}). Choose another folder for this one."
        )
    return manifest


def _size(file: Path) -> int:
    try:
        return file.stat().st_size
    except OSError:
        return 0


def _check_room(folder: Path, plan: Sequence[PlannedCopy], sizes: Sequence[int]) -> None:
    needed = sum(s for p, s in zip(plan, sizes, strict=True) if not os.path.lexists(folder / p.copy))
    try:
        free = free_bytes(folder)
    except OSError:
        return  # the disk will say so itself
    if needed and needed + _ROOM_BYTES > free:
        raise OutputFailed(
            f"{folder}: the copies take {disk_space(needed)}, and {disk_space(free)} are free. "
            "Free some space or choose another disk."
        )


def _remove_left_over_parts(folder: Path, plan: Sequence[PlannedCopy]) -> None:
    """Remove what a killed run left half copied; a run that is still alive keeps its own."""
    names: dict[str, set[str]] = {}
    for planned in plan:
        series, _, name = planned.copy.partition("/")
        names.setdefault(series, set()).add(name)
    for series, own in names.items():
        for part in sorted((folder / series).glob(".*.part-*")):
            name, _, pid = part.name[1:].rpartition(".part-")
            if name in own and pid.isdecimal() and not psutil.pid_exists(int(pid)):
                with suppress(OSError):
                    part.unlink()


def _strangers(folder: Path, plan: Sequence[PlannedCopy]) -> list[str]:
    """What else lies in the series' folders, as when the card was sorted otherwise before."""
    own = {planned.copy for planned in plan}
    said = []
    for series in dict.fromkeys(planned.copy.partition("/")[0] for planned in plan):
        try:
            entries = sorted(e.name for e in (folder / series).iterdir() if not e.name.startswith("."))
        except OSError:
            continue
        others = [name for name in entries if f"{series}/{name}" not in own]
        if others:
            more = f" and {len(others) - 1} more" if len(others) > 1 else ""
            said.append(
                f"{folder / series} holds {others[0]}{more} besides, not of this series; left as "
                f"{'it is' if len(others) == 1 else 'they are'}"
            )
    return said
