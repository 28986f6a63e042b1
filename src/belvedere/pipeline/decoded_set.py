"""The decoded frames of a set that may grow: each file decoded once, its features found once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from belvedere.align.estimate import frame_features, most_features
from belvedere.align.features import Features
from belvedere.align.options import AlignOptions
from belvedere.capture.digest import file_sha256
from belvedere.capture.frame import Frame
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.preview_frame import preview_frame, preview_pixels
from belvedere.errors import UnreadableFile
from belvedere.pipeline.decoding import fill_store
from belvedere.pipeline.schedule import Schedule

FileState = tuple[Path, int, int]
"""Path, length and time of change: a file that is still the one it was."""


def file_state(file: Path) -> FileState:
    """See `FileState`; raises OSError where the file is gone."""
    now = file.stat()
    return file, now.st_size, now.st_mtime_ns


@dataclass(frozen=True, slots=True)
class ReadSet:
    """What could be read of a set.

    Parameters
    ----------
    frames : tuple of Frame
        As read: of raw files their previews where these are large enough.
    store : FrameStore
        Their pixels; it belongs to whoever asked, who closes it.
    features : tuple of Features
    unreadable : tuple of (Path, str)
        Files that cannot be decoded, each with the reason in words that follow its name.
    previews : int
        How many of the frames are previews.
    """

    frames: tuple[Frame, ...]
    store: FrameStore
    features: tuple[Features, ...]
    unreadable: tuple[tuple[Path, str], ...]
    previews: int


@dataclass(frozen=True, slots=True)
class _Seen:
    """A file as it will be read: the frame, and whether that is a raw file's preview."""

    state: FileState
    frame: Frame
    preview: bool


@dataclass(frozen=True, slots=True)
class _Known:
    """What was read of a file, with the features of a frame that may have `most` of them."""

    seen: _Seen
    digest: str
    features: Features
    most: int


class DecodedSet:
    """Frames decoded in a scratch folder.

    Parameters
    ----------
    folder : Path
        Of this run alone.
    options : AlignOptions
        How features are found.
    """

    def __init__(self, folder: Path, options: AlignOptions) -> None:
        self._folder = folder
        self._options = options
        self._known: dict[FileState, _Known] = {}

    def read(
        self, frames: Sequence[Frame], cache_bytes: int, run: Schedule, advance: Callable[[float], None]
    ) -> ReadSet:
        """Read a set; only files that are new or have changed are decoded.

        A set that has grown so long that each frame may have fewer features gets them anew from the pixels
        that are there, so that a verdict does not depend on how the frames came in.

        Parameters
        ----------
        frames : sequence of Frame
            As gathered.
        cache_bytes : int
            Most bytes of tiles that the store keeps in memory.
        run : Schedule
        advance : callable
            Told the share that is done.

        Raises
        ------
        OutputFailed
            If the scratch folder cannot take them.
        """
        lost: list[tuple[Path, str]] = []
        seen = [s for s in (self._look(frame, lost) for frame in frames) if s is not None]
        store = FrameStore(self._folder, [s.frame for s in seen], cache_bytes=cache_bytes)
        known: dict[int, _Known] = {}
        most = most_features(self._options, max(1, len(seen)))

        def build(i: int) -> None:
            before = self._known.get(seen[i].state)
            if before is None or not store.adopt(i, before.digest):
                known[i] = _Known(seen[i], _decoded(store, i, seen[i]), features(i), most)
            elif before.most == most:
                known[i] = before
            else:
                known[i] = replace(before, features=features(i), most=most)

        def features(i: int) -> Features:
            return frame_features(store, i, self._options, len(seen))

        failed = dict(fill_store(store, len(seen), run, advance, build))
        good = [known[i] for i in range(len(seen)) if i not in failed]
        self._known.update({k.seen.state: k for k in good})
        if failed:
            lost += [(seen[i].frame.file, why) for i, why in failed.items()]
            store.close()
            store = FrameStore(self._folder, [k.seen.frame for k in good], cache_bytes=cache_bytes)
            for i, k in enumerate(good):
                store.adopt(i, k.digest)
        return ReadSet(
            tuple(k.seen.frame for k in good),
            store,
            tuple(k.features for k in good),
            tuple(lost),
            sum(k.seen.preview for k in good),
        )

    def _look(self, frame: Frame, lost: list[tuple[Path, str]]) -> _Seen | None:
        """A file as it is now; None, and named in `lost`, where it is gone."""
        try:
            state = file_state(frame.file)
            if state in self._known:
                return self._known[state].seen
            preview = preview_frame(frame)
        except OSError as error:
            lost.append((frame.file, f"cannot be read ({error.strerror or error})"))
        except UnreadableFile as error:
            lost.append((frame.file, error.why))
        else:
            return _Seen(state, preview or frame, preview is not None)
        return None


def _decoded(store: FrameStore, i: int, seen: _Seen) -> str:
    """Put a frame's pixels into the store; its digest."""
    if not seen.preview:
        store.build_one(i)
        return store.digest(i)
    digest = file_sha256(seen.frame.file)
    store.add(i, preview_pixels(seen.frame), digest)
    return digest
