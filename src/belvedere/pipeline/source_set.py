"""The frames of one run: hashed, decoded once into the work folder, those that cannot be used named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.decode import decode
from belvedere.capture.digest import joined_digest
from belvedere.capture.frame import Frame
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.gather import Gathered
from belvedere.capture.set_contrast import estimate_contrast, poses_to_look_at, with_contrast
from belvedere.errors import NothingToMake, UnreadableFile
from belvedere.pipeline.budget import Budget
from belvedere.pipeline.card import card_paths
from belvedere.pipeline.decoding import fill_store, hash_files
from belvedere.pipeline.hot_pixels import Sensors, find_sensors
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.results import Contrasts, Usable
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
    digests : tuple of tuple of str
        SHA-256 of the file of each exposure of each frame, once `hash` has run.
    accounts : tuple of (BracketAccount or None)
        Once `decode` has run: of each frame of several exposures what became of them.
    unreadable : list of (Path, str)
        Files left out, each with the reason in words that follow its name.
    decode_s : float
        Time spent decoding, s.
    """

    def __init__(self, gathered: Gathered, work: WorkFolder, budget: Budget, progress: Progress) -> None:
        self.frames: tuple[Frame, ...] = gathered.frames
        self.digests: tuple[tuple[str, ...], ...] = ()
        self.accounts: tuple[BracketAccount | None, ...] = ()
        self.unreadable: list[tuple[Path, str]] = list(gathered.unreadable)
        self.decode_s = 0.0
        files = [frame.file for frame in gathered.frames]
        self._names = dict(zip(files, card_paths(files), strict=True))
        self._work = work
        self._budget = budget
        self._progress = progress
        self._store: FrameStore | None = None
        self._sensors = Sensors(())

    @property
    def notices(self) -> list[str]:
        """Sentences on the sensors, once `decode` has run."""
        return self._sensors.notices()

    @property
    def names(self) -> list[str]:
        """What the options call the frames: their paths under the card of all that was found."""
        return [self._names[frame.file] for frame in self.frames]

    @property
    def identities(self) -> list[SourceIdentity]:
        """What the stages' keys know the frames by."""
        paths = card_paths([frame.file for frame in self.frames])
        return [
            SourceIdentity(path, joined_digest(digests))
            for path, digests in zip(paths, self.digests, strict=True)
        ]

    @property
    def exposures(self) -> tuple[tuple[tuple[str, str], ...], ...]:
        """Of every frame the exposures that its pixels come from: path under the card, SHA-256."""
        paths = iter(card_paths([e.file for frame in self.frames for e in frame.exposures]))
        whole = [tuple((next(paths), digest) for digest in digests) for digests in self.digests]
        return tuple(
            own if account is None else tuple(own[k] for k in sorted(account.merged))
            for own, account in zip(whole, self.accounts or [None] * len(whole), strict=True)
        )

    def hash(self) -> None:
        """Hash the files; those that cannot be read are left out.

        Raises
        ------
        NothingToMake
            If fewer than two are left.
        """
        files = [exposure.file for frame in self.frames for exposure in frame.exposures]
        found = iter(hash_files(files, Threads(self._budget.decoders)))
        frames, digests = [], []
        for frame in self.frames:
            own = [(exposure, next(found)) for exposure in frame.exposures]
            self.unreadable += [(e.file, e.why) for _, e in own if isinstance(e, UnreadableFile)]
            kept = [(exposure, d) for exposure, d in own if isinstance(d, str)]
            if kept:
                frames.append(replace(frame, exposures=tuple(e for e, _ in kept)))
                digests.append(tuple(d for _, d in kept))
                self._names.setdefault(frames[-1].file, self._names[frame.file])
        self.frames, self.digests = tuple(frames), tuple(digests)
        self._check_enough()

    def decode(self, key: str) -> None:
        """Decode the frames, unless an earlier run with this key did; those that cannot be are left out.

        Raises
        ------
        NothingToMake
            If fewer than two are left.
        """
        self._look_over_sensors(key)
        self._find_contrasts(key)
        usable = self._work.load("frames", key, Usable)
        if usable is None:
            failed = self._fill()
            bad = {i for i, _ in failed}
            good = tuple(i for i in range(len(self.frames)) if i not in bad)
            assert self._store is not None
            usable = Usable(good, failed, tuple(self._store.account(i) for i in good))
            self._work.save("frames", key, usable)
        if usable.unusable:
            self.unreadable += [(self.frames[i].file, why) for i, why in usable.unusable]
            self.frames = tuple(self.frames[i] for i in usable.usable)
            self.digests = tuple(self.digests[i] for i in usable.usable)
            self.close()
            self._check_enough()
        self.accounts = usable.accounts
        for frame, account in zip(self.frames, self.accounts, strict=True):
            self.unreadable += [(frame.exposures[k].file, why) for k, why in account.lost] if account else []

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

    def _look_over_sensors(self, key: str) -> None:
        """The sensors' hot pixels, as an earlier run with this key found them, or found now and kept."""
        found = self._work.load("sensors", key, Sensors)
        if found is None:
            self._progress.begin("frames")
            found = find_sensors(self.frames, Threads(min(2, self._budget.decoders)))
            self._work.save("sensors", key, found)
            self.decode_s += self._progress.finish()
        self._sensors = found

    def _find_contrasts(self, key: str) -> None:
        """The contrast curves of cameras whose exposures are merged, as an earlier run found them, or now."""
        poses = poses_to_look_at(self.frames)
        if not poses:
            return
        found = self._work.load("contrasts", key, Contrasts)
        if found is None or len(found.curves) != len(poses):
            self._progress.begin("frames")
            self._work.frames.mkdir(parents=True, exist_ok=True)
            own = [[self.frames[k] for k in numbers] for numbers in poses.values()]
            found = Contrasts(tuple(estimate_contrast(f, self._work.frames, decode) for f in own))
            self._work.save("contrasts", key, found)
            self.decode_s += self._progress.finish()
        known = {body: curve for body, curve in zip(poses, found.curves, strict=True) if curve is not None}
        self.frames = with_contrast(self.frames, known)

    def _fill(self) -> tuple[tuple[int, str], ...]:
        """A store over the frames, filled; returns what could not be decoded."""
        self.close()
        self._store = FrameStore(
            self._work.frames,
            self.frames,
            cache_bytes=self._budget.cache_bytes,
            mendings=self._sensors.mendings(self.frames),
        )
        self._progress.begin("frames")
        run = Threads(self._budget.decoders)
        failed = fill_store(self._store, len(self.frames), run, self._progress.advance)
        self.decode_s += self._progress.finish()
        return failed

    def _check_enough(self) -> None:
        if len(self.frames) < 2:
            why = "; ".join(f"{path}: {why}" for path, why in self.unreadable[:3])
            raise NothingToMake(f"fewer than two frames can be read, and a picture takes two: {why}")
