"""Frames into the store: hashed, decoded once, in threads; what cannot be read is named, not fatal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from belvedere.capture.digest import file_sha256
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.tile_file import check_space
from belvedere.errors import UnreadableFile
from belvedere.pipeline.schedule import Schedule


def hash_files(files: Sequence[Path], run: Schedule) -> list[str | UnreadableFile]:
    """SHA-256 of each file, or why it cannot be read."""

    def one(file: Path) -> str | UnreadableFile:
        try:
            return file_sha256(file)
        except UnreadableFile as error:
            return error

    return list(run(one, files))


def fill_store(
    store: FrameStore,
    count: int,
    run: Schedule,
    advance: Callable[[float], None],
    build: Callable[[int], object] | None = None,
) -> tuple[tuple[int, str], ...]:
    """Bring frames 0 to count - 1 into the store.

    Parameters
    ----------
    store : FrameStore
    count : int
    run : Schedule
    advance : callable
        Told the share that is done.
    build : callable or None
        Brings a frame in, given its number; None: decodes its file in full.

    Returns
    -------
    tuple of (int, str)
        Frames that cannot be decoded, each with the reason, in words that follow its name.

    Raises
    ------
    OutputFailed
        If the scratch folder cannot take them.
    """
    build = build or store.build_one
    present = sum(file.stat().st_size for file in store.folder.glob("*.tiles"))
    check_space(store.folder, max(0, store.bytes_needed() - present))

    def one(frame: int) -> str | None:
        try:
            build(frame)
        except UnreadableFile as error:
            return error.why
        return None

    failed = []
    for frame, why in enumerate(run(one, range(count))):
        if why is not None:
            failed.append((frame, why))
        advance((frame + 1) / count)
    return tuple(failed)
