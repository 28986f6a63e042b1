"""Checking a folder as frames arrive in it, until somebody stops it."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from belvedere.capture.gather import gather
from belvedere.errors import UnreadableFile
from belvedere.pipeline.arrivals import Arrivals, Seen
from belvedere.pipeline.budget import default_ceiling
from belvedere.pipeline.check import Checking, CheckOptions
from belvedere.pipeline.decoded_set import FileState, file_state
from belvedere.pipeline.heap import give_back_large_arrays
from belvedere.pipeline.processors import one_thread_each
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.scratch_folder import scratch_folder
from belvedere.survey.checking.verdict import Verdict

EVERY_S = 1.0
"""Between two looks at the folder."""


class Onlooker(Protocol):
    """Whoever is told."""

    def tell(self, verdict: Verdict) -> None:
        """There is a new verdict."""
        ...

    def say(self, words: str) -> None:
        """Something else to know at once; a sentence."""
        ...


def watch(
    options: CheckOptions,
    progress: Progress,
    onlooker: Onlooker,
    *,
    pause: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> Verdict | None:
    """Follow a folder; a new verdict whenever its whole pictures have changed.

    A file is taken once its length has stopped changing and it reads whole; one that does not is waited for
    a while and then named. When the folder is gone, the last verdict stands until it is back.

    Parameters
    ----------
    options : CheckOptions
        One source, a folder.
    progress : Progress
    onlooker : Onlooker
    pause, clock : callable
        As in `time`.

    Returns
    -------
    Verdict or None
        The last one, when interrupted; None if there was none.

    Raises
    ------
    UnreadableFile
        If there is no such folder to begin with.
    OutputFailed
        If the scratch folder cannot take the frames.
    """
    folder = options.sources[0]
    if not folder.is_dir():
        raise UnreadableFile(folder, "is no folder that can be followed")
    give_back_large_arrays(options.memory_bytes or default_ceiling())
    following = _Following(options, progress, onlooker, folder, clock)
    try:
        with one_thread_each(), scratch_folder(options.work) as scratch:
            checking = Checking(options, scratch, progress)
            onlooker.say(f"Following {folder}; Ctrl-C ends it.")
            while True:
                following.look(checking)
                pause(EVERY_S)
    except KeyboardInterrupt:
        return following.last


class _Following:
    """What is known between two looks."""

    def __init__(
        self,
        options: CheckOptions,
        progress: Progress,
        onlooker: Onlooker,
        folder: Path,
        clock: Callable[[], float],
    ) -> None:
        self.last: Verdict | None = None
        self._options = options
        self._progress = progress
        self._onlooker = onlooker
        self._folder = folder
        self._clock = clock
        self._arrivals = Arrivals(folder)
        self._judged: object = None
        self._awaited: frozenset[FileState] = frozenset()
        self._gone = False

    def look(self, checking: Checking) -> None:
        """Look at the folder, and judge it anew if its whole pictures have changed."""
        seen = self._arrivals.look(self._clock())
        if seen.gone != self._gone:
            self._gone = seen.gone
            where = f"{self._folder}"
            self._onlooker.say(
                f"{where}: its pictures are gone. If the card was pulled out, put it back; the last verdict "
                "stands."
                if seen.gone
                else f"{where}: the pictures are back."
            )
        key = self._key(seen)
        if seen.gone or not seen.settled or key == self._judged:
            return
        self._judge(checking, seen)
        self._progress.close()

    def _key(self, seen: Seen) -> object:
        """What a verdict rests on: the files that stand still, and those no longer waited for."""
        now = self._clock()
        given_up = {s for s in self._awaited if not self._arrivals.is_fresh(s, now)}
        return frozenset(seen.settled), frozenset(given_up)

    def _judge(self, checking: Checking, seen: Seen) -> None:
        states = {state[0]: state for state in seen.settled}
        now = self._clock()

        def may_come(file: Path) -> bool:
            state = states.get(file)
            try:
                return state is None or file_state(file) != state or self._arrivals.is_fresh(state, now)
            except OSError:
                return True

        found = gather([file for file, _, _ in seen.settled])
        verdict = checking.verdict(found, may_come)
        self._awaited = frozenset(states[file] for file in checking.awaited if file in states)
        if any(not file.exists() for file in checking.awaited):
            return  # pulled out meanwhile: judged again when that is seen
        self._judged = self._key(seen)
        if verdict != self.last:
            self.last = verdict
            self._progress.close()
            if len(verdict.frames) == 1 and not verdict.findings:
                self._onlooker.say("1 frame so far; a verdict takes two or more.")
            else:
                self._onlooker.tell(verdict)
