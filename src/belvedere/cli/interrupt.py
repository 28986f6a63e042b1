"""Ctrl-C: the command stops soon and says how to go on, wherever it was caught."""

from __future__ import annotations

import os
import signal
import sys
import threading
from types import FrameType

STOPPED = 130
"""Exit code of a command that was interrupted: 128 + SIGINT, as shells count."""
WORDS = "\nStopped; run the same command to continue."
_PATIENCE_S = 1.5


class Interrupt:
    """Whether the person has interrupted the command.

    Compiled code may turn Python's KeyboardInterrupt into an error of its own, or swallow it. So what counts
    is that the signal came; and if the command does not stop by itself, it is ended. Everything it leaves on
    disk is made to be found half done.
    """

    def __init__(self) -> None:
        self.came = False

    def watch(self) -> None:
        """Take the signal from now on. Only in the main thread of a process that is the command's own."""
        if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:  # a shell's background jobs do not mind it
            signal.signal(signal.SIGINT, self._caught)

    def _caught(self, _number: int, _frame: FrameType | None) -> None:
        if not self.came:
            self.came = True
            end = threading.Timer(_PATIENCE_S, self._end)
            end.daemon = True
            end.start()
        raise KeyboardInterrupt

    def _end(self) -> None:
        print(WORDS, file=sys.stderr, flush=True)
        os._exit(STOPPED)
