"""A verdict that changes, on a terminal or on plain lines."""

from __future__ import annotations

import shutil
import time
from typing import TextIO

from belvedere.survey.checking.verdict import Verdict
from belvedere.survey.checking.verdict_json import check_bytes
from belvedere.survey.checking.verdict_words import verdict_words

_CLEAR = "\x1b[H\x1b[2J"  # cursor home, erase in display: ECMA-48, 8.3.21 and 8.3.39


class WatchScreen:
    """Shows every new verdict.

    On a terminal it stands alone on the screen, with the time it was made; elsewhere each is one line.

    Parameters
    ----------
    out, err : text stream
        Verdicts go to `out`, anything else to `err`.
    json : bool
        Verdicts as JSON, one a line.
    quiet : bool
        Say nothing; JSON is still written.

    `shows_all` tells whether the last verdict stands there with all its words.
    """

    def __init__(self, out: TextIO, err: TextIO, *, json: bool, quiet: bool) -> None:
        self._out = out
        self._err = err
        self._json = json
        self._quiet = quiet
        self._is_terminal = bool(getattr(out, "isatty", lambda: False)())
        self.shows_all = False

    def tell(self, verdict: Verdict) -> None:
        """Show a new verdict."""
        if self._json:
            self._write(check_bytes(verdict, indented=False).decode() + "\n")
            self.shows_all = True
        elif self._quiet:
            return
        elif self._is_terminal:
            size = shutil.get_terminal_size()
            lines = verdict_words(verdict, width=size.columns).splitlines()
            room = max(4, size.lines - 4)  # the first line must not leave the screen
            self.shows_all = len(lines) <= room
            if not self.shows_all:
                lines = [*lines[: room - 1], "... more than the screen holds; Ctrl-C tells all"]
            at = time.strftime("%H:%M:%S")
            self._write(_CLEAR + "\n".join(lines) + f"\n\nAt {at}; waiting for more. Ctrl-C ends it.\n")
        else:
            self._write(f"{_frames(len(verdict.frames))}: {verdict.headline}\n")

    def say(self, words: str) -> None:
        """Say something on a line of its own."""
        if not self._quiet:
            self._err.write(words + "\n")
            self._err.flush()

    def _write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"
