"""The frames of one run: hashed, decoded once into the work folder, those that cannot be used named."""

from __future__ import annotations

from pathlib import Path

from belvedere.capture.frame import Frame
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.gather import Gathered
from belvedere.errors import NothingToMake, UnreadableFile
from belvedere.pipeline.budget import Budget
from belvedere.pipeline.card import card_paths
from belvedere.pipeline.decoding import fill_store, hash_frames
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.results import Usable
from belvedere.pipeline.schedule import Threads
from belvedere.pipeline.stages import SourceIdentity
from belvedere.pipeline.work_folder import WorkFolder


class SourceSet:
    """A run's frames and their pixels; both grow fewer as files turn out unreadable.

    Parameters
    ----------
    gathered : Gathered
        What was found at the sources.
    work : WorkFolder
        Held by the run; the decoded frames lie in it.
    budget : Budget
    progress : Progress

    Attributes
    ----------
    frames : tuple of Frame
        Those that can be read, as far as is known by now.
    digests : tuple of str
        SHA-256 of each frame's file, once `hash` has run.
    unreadable : list of (Path, str)
        Files left out, each with the reason in words that follow its name.
    decode_s : float
        Time spent decoding, s.
    """

    def __init__(self, gathered: Gathered, work: WorkFolder, budget: Budget, progress: Progress) -> None:
        self.frames: tuple[Frame, ...] = gathered.frames
        self.digests: tuple[str, ...] = ()
        self.unreadable: list[tuple[Path, str]] = list(gathered.unreadable)
        self.decode_s = 0.0
        files = [frame.file for frame in gathered.frames]
        self._names = dict(zip(files, card_paths(files), strict=True))
        self._work = work
        self._budget = budget
        self._progress = progress
        self._store: FrameStore | None = None

    @property
    def names(self) -> list[str]:
        """What the options call the frames: their paths under the card of all that was found."""
        return [self._names[frame.file] for frame in self.frames]

    @property
    def identities(self) -> list[SourceIdentity]:
        """What the stages' keys know the frames by."""
        paths = card_paths([frame.file for frame in self.frames])
        return [SourceIdentity(path, digest) for path, digest in zip(paths, self.digests, strict=True)]

    def hash(self) -> None:
        """Hash the files; those that cannot be read are left out.

        Raises
        ------
        NothingToMake
            If fewer than two are left.
        """
        found = hash_frames(self.frames, Threads(self._budget.decoders))
        self.unreadable += [(e.file, e.why) for e in found if isinstance(e, UnreadableFile)]
        kept = [(f, d) for f, d in zip(self.frames, found, strict=True) if isinstance(d, str)]
        self.frames, self.digests = tuple(f for f, _ in kept), tuple(d for _, d in kept)
        self._check_enough()

    def decode(self, key: str) -> None:
        """Decode the frames, unless an earlier run with this key did; those that cannot be are left out.

        Raises
        ------
        NothingToMake
            If fewer than two are left.
        """
        usable = self._work.load("frames", key, Usable)
        if usable is None:
            failed = self._fill()
            bad = {i for i, _ in failed}
            usable = Usable(tuple(i for i in range(len(self.frames)) if i not in bad), failed)
            self._work.save("frames", key, usable)
        if usable.unusable:
            self.unreadable += [(self.frames[i].file, why) for i, why in usable.unusable]
            self.frames = tuple(self.frames[i] for i in usable.usable)
            self.digests = tuple(self.digests[i] for i in usable.usable)
            self.close()
            self._check_enough()

    def pixels(self) -> FrameStore:
        """The filled store of the frames.

        Raises
        ------
        UnreadableFile
            If a file that could be decoded before no longer can.
        """
        if self._store is None:
            failed = self._fill()
            if failed:
                raise UnreadableFile(self.frames[failed[0][0]].file, failed[0][1])
        assert self._store is not None
        return self._store

    def close(self) -> None:
        """Close the store; the decoded frames stay in the work folder."""
        if self._store is not None:
            self._store.close()
            self._store = None

    def _fill(self) -> tuple[tuple[int, str], ...]:
        """A store over the frames, filled; returns what could not be decoded."""
        self.close()
        self._store = FrameStore(self._work.frames, self.frames, cache_bytes=self._budget.cache_bytes)
        self._progress.begin("frames")
        run = Threads(self._budget.decoders)
        failed = fill_store(self._store, len(self.frames), run, self._progress.advance)
        self.decode_s += self._progress.finish()
        return failed

    def _check_enough(self) -> None:
        if len(self.frames) < 2:
            why = "; ".join(f"{path}: {why}" for path, why in self.unreadable[:3])
            raise NothingToMake(f"fewer than two frames can be read, and a picture takes two: {why}")
