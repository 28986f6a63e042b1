"""The errors Belvedere raises on purpose.

BelvedereError
├── UnreadableFile     a source that cannot be used; says which and why
├── NothingToMake      no picture can be made from what was given
├── PlanError          nothing can be planned from what was asked; says what could be
├── WorkFolderBusy     another run holds the work folder
├── ClusterFailed      a cluster that was to help cannot
└── OutputFailed       the result could not be written
"""

from __future__ import annotations

from pathlib import Path


class BelvedereError(Exception):
    """Base of the family: one sentence for a person, ending in what to do where that helps."""


class UnreadableFile(BelvedereError):
    """A source file that cannot be used.

    Parameters
    ----------
    file : Path
        The file.
    why : str
        What is wrong with it, in words that follow the file's name.
    """

    def __init__(self, file: Path, why: str) -> None:
        super().__init__(f"{file}: {why}")
        self.file = file
        self.why = why

    def __reduce__(self) -> tuple[type[UnreadableFile], tuple[Path, str]]:
        return UnreadableFile, (self.file, self.why)  # it may come from another process


class NothingToMake(BelvedereError):
    """No picture can be made from what was given."""


class PlanError(BelvedereError, ValueError):
    """What was asked of a plan, or of the optics behind it, cannot be.

    Parameters
    ----------
    why : str
        What was expected and what came, in words for a person, without a full stop.
    nearest : str or None
        The nearest thing that can be had, or what to give instead, in words that follow a semicolon.
    """

    def __init__(self, why: str, nearest: str | None = None) -> None:
        super().__init__(why if nearest is None else f"{why}; {nearest}")
        self.why = why
        self.nearest = nearest


class WorkFolderBusy(BelvedereError):
    """Another run holds the work folder."""


class ClusterFailed(BelvedereError):
    """A cluster that was to help cannot; says why and what to do."""


class OutputFailed(BelvedereError):
    """The result could not be written."""
