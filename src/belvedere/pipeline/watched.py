"""How far a stage is that hands out its work in several calls."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from belvedere.pipeline.schedule import Schedule

_FIRST = (
    0.65  # of the alignment's time, the features (measured: 1.96 s of 2.9 s at 7 frames of 24 megapixels)
)
_LATER = 0.3  # of what is left then, each further call: how many there are depends on the set


class Watched:
    """A schedule that tells how far a stage is that calls it several times, each time for its own part."""

    def __init__(self, run: Schedule, advance: Callable[[float], None]) -> None:
        self._run = run
        self._advance = advance
        self._share = 0.0

    def __call__(self, function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        """See Schedule."""
        listed = list(jobs)
        start = self._share
        part = (_LATER if start else _FIRST) * (1.0 - start)
        self._share += part if listed else 0.0

        def results() -> Iterator[Any]:
            for done, result in enumerate(self._run(function, listed), start=1):
                self._advance(start + part * done / len(listed))
                yield result

        return results()
