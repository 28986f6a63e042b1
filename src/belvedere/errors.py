"""The errors Belvedere raises on purpose.

BelvedereError
├── UnreadableFile     a source that cannot be used; says which and why
├── NothingToMake      no picture can be made from what was given
├── WorkFolderBusy     another run holds the work folder
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


class NothingToMake(BelvedereError):
    """No picture can be made from what was given."""


class WorkFolderBusy(BelvedereError):
    """Another run holds the work folder."""


class OutputFailed(BelvedereError):
    """The result could not be written."""
