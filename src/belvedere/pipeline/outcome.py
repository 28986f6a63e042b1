"""What a run came to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from belvedere.compose.report import Report


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to.

    Parameters
    ----------
    made : Path
        The picture or the preview.
    report : Report
        Of the run that made it.
    made_before : bool
        True if an earlier run had made just this, and nothing was done.
    """

    made: Path
    report: Report
    made_before: bool = False

    @property
    def exit_code(self) -> int:
        """0 where all frames are used and sure, 3 where something is left out or in doubt."""
        return self.report.exit_code
