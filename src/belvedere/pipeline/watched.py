"""How far a stage is that hands out its work in several calls."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from belvedere.pipeline.schedule import Schedule


class Watched:
    """A schedule that tells how far a stage is which calls it several times, each time for its own part."""

    # Shares of the alignment's time by call: features, matches, checks, tie points measured again (measured).
    _SHARES = (0.45, 0.15, 0.05, 0.3)

    def __init__(self, run: Schedule, advance: Callable[[float], None]) -> None:
        self._run = run
        self._advance = advance
        self._call = 0

    def __call__(self, function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        listed = list(jobs)
        start = sum(self._SHARES[: self._call])
        share = self._SHARES[self._call] if self._call < len(self._SHARES) else 0.0
        self._call += 1

        def results() -> Iterator[Any]:
            for done, result in enumerate(self._run(function, listed), start=1):
                self._advance(start + share * done / len(listed))
                yield result

        return results()
