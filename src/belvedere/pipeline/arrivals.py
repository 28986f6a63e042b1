"""Files of a folder as they arrive: which are whole, which are still being written, and when all are gone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from belvedere.capture.found_files import find_files
from belvedere.pipeline.decoded_set import FileState, file_state

PATIENCE_S = 10.0
"""How long a file may stay as it is and not read whole before it counts as damaged; our choice."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A folder at one moment.

    Parameters
    ----------
    settled : tuple of FileState
        Pictures that were the same at the look before, in the order of their names.
    moving : tuple of Path
        Pictures that are new, empty, or have changed since.
    gone : bool
        The folder cannot be read, or holds no picture where it held some: a card pulled out looks like this.
    """

    settled: tuple[FileState, ...]
    moving: tuple[Path, ...]
    gone: bool


class Arrivals:
    """Looks at a folder time and again.

    Parameters
    ----------
    folder : Path
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._since: dict[FileState, float] = {}
        self._held_some = False

    def look(self, now: float) -> Seen:
        """Look at the folder.

        Parameters
        ----------
        now : float
            Seconds of a clock that never falls.
        """
        states = self._states()
        if not states:
            return Seen((), (), self._held_some or not self._folder.is_dir())
        self._held_some = True
        before = self._since
        self._since = {state: before.get(state, now) for state in states}
        settled = tuple(s for s in states if s in before and (s[1] > 0 or not self.is_fresh(s, now)))
        return Seen(settled, tuple(s[0] for s in states if s not in settled), False)

    def is_fresh(self, state: FileState, now: float) -> bool:
        """Whether a file became what it is within `PATIENCE_S`, and so may still be on its way."""
        return now - self._since.get(state, now) < PATIENCE_S

    def _states(self) -> list[FileState]:
        out = []
        for file in find_files([self._folder], False, []):
            try:
                out.append(file_state(file))
            except OSError:  # gone again
                continue
        return out
