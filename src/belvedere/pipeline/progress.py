"""How far a run is, and how much longer it will take as far as its own speed tells: one line, no ornament."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping
from typing import TextIO

_EVERY_S = 0.2
_LINE_EVERY_S = 10.0
_TRUSTED_SHARE = 0.1  # a stage's own speed is believed from here on

STAGE_WORDS = {
    "frames": "reading frames",
    "alignment": "aligning",
    "tone": "measuring tone",
    "seams": "placing seams",
    "picture": "writing the picture",
    "card": "reading the card",
    "looks": "looking at frames",
    "series": "finding series",
    "sheet": "drawing the contact sheet",
    "copies": "copying",
    "examination": "examining the set",
    "keep": "writing the picture to keep",
    "paper": "making the print",
    "screen": "making the folder for the screen",
    "verify": "reading the files again",
}


class Pace:
    """Remaining time from what was expected of the stages and how long they really took.

    Parameters
    ----------
    expected : mapping of stage name to float
        Seconds each stage still to be done takes on some machine, in order; only their ratios matter.
    """

    def __init__(self, expected: Mapping[str, float]) -> None:
        self._expected = {name: max(seconds, 1e-3) for name, seconds in expected.items()}
        self._taken: dict[str, float] = {}

    def finish(self, stage: str, seconds: float) -> None:
        """Note what a stage really took."""
        self._taken[stage] = seconds

    def remaining(self, stage: str, share: float, seconds: float) -> float | None:
        """Seconds left, all stages; None where nothing has been measured yet.

        Parameters
        ----------
        stage : str
            The one under way.
        share : float
            How much of it is done, 0 to 1.
        seconds : float
            How long it has been under way.
        """
        expected_here = self._expected.get(stage, 1e-3)
        done = sum(self._expected.get(name, 0.0) for name in self._taken) + share * expected_here
        taken = sum(self._taken.values()) + seconds
        if done <= 0.0 or taken <= 0.0:
            return None
        slowness = taken / done
        later = sum(s for name, s in self._expected.items() if name != stage and name not in self._taken)
        if share >= _TRUSTED_SHARE:
            return seconds * (1.0 - share) / share + later * slowness
        if not self._taken:
            return None
        return (1.0 - share) * expected_here * slowness + later * slowness


class Progress:
    """Says on one line how far a run is.

    Parameters
    ----------
    stream : text stream
        Where to.
    shown : bool or None
        None: only if the stream is a terminal. True without a terminal: a line of its own for each stage and
        about every ten seconds.
    clock : callable
        Seconds, never falling.
    """

    def __init__(
        self, stream: TextIO, shown: bool | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = stream
        self._terminal = bool(getattr(stream, "isatty", lambda: False)())
        self._shown = self._terminal if shown is None else shown
        self._clock = clock
        self._pace = Pace({})
        self._stage = ""
        self._began = clock()
        self._share = 0.0
        self._said = float("-inf")
        self._width = 0

    def expect(self, seconds: Mapping[str, float]) -> None:
        """Tell how long the stages still to be done usually take; see `Pace`."""
        taken = self._pace._taken
        self._pace = Pace(seconds)
        for stage in seconds:
            if stage in taken:
                self._pace.finish(stage, taken[stage])

    def begin(self, stage: str) -> None:
        """A stage begins."""
        self._stage, self._began, self._share = stage, self._clock(), 0.0
        self._say(at_once=True)

    def advance(self, share: float) -> None:
        """The stage under way is done to this share, 0 to 1; never goes back."""
        self._share = max(self._share, min(1.0, share))
        self._say(at_once=False)

    def finish(self) -> float:
        """The stage under way is done; seconds it took."""
        seconds = self._clock() - self._began
        self._pace.finish(self._stage, seconds)
        return seconds

    def close(self) -> None:
        """Clear the line."""
        if self._shown and self._terminal and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()
            self._width = 0

    def note(self, sentence: str) -> None:
        """Say a sentence on a line of its own."""
        self.close()
        self._stream.write(sentence + "\n")
        self._stream.flush()

    def _say(self, *, at_once: bool) -> None:
        if not self._shown:
            return
        now = self._clock()
        if not at_once and now - self._said < (_EVERY_S if self._terminal else _LINE_EVERY_S):
            return
        self._said = now
        text = f"{STAGE_WORDS.get(self._stage, self._stage)}: {100 * self._share:.0f} %"
        left = self._pace.remaining(self._stage, self._share, now - self._began)
        if left is not None:
            text += f", about {in_words(left)} left"
        if not self._terminal:
            self._stream.write(text + "\n")
        else:
            text = text[: max(10, shutil.get_terminal_size().columns - 1)]
            self._stream.write("\r" + text.ljust(self._width))
            self._width = len(text)
        self._stream.flush()


def in_words(seconds: float) -> str:
    """A duration no finer than it can be known: "5 s", "40 s", "3 min", "1 h 20 min"."""
    if seconds < 9.5:
        return f"{max(1, round(seconds))} s"
    if seconds < 57.5:
        return f"{5 * round(seconds / 5)} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{max(1, minutes)} min"
    minutes = 5 * round(seconds / 300.0)
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes % 60 else f"{minutes // 60} h"
