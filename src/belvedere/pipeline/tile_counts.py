"""What is known of each tile of a growing picture, kept so that a run that goes on need not look again."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from belvedere.compose.finished_file import output_failed

_HEAD = "belvedere.tile-counts/1"


class TileCount(NamedTuple):
    """Covered px of a tile, and those of them with light over the file's white."""

    covered: int
    over_white: int


class TileCounts:
    """Counts by tile, one line of text each; lines that cannot be read count for nothing.

    Parameters
    ----------
    path : Path
        Of the text.
    key : str
        What the counts belong to; under another key one begins anew.

    Raises
    ------
    OutputFailed
        If the text cannot be written.
    """

    def __init__(self, path: Path, key: str) -> None:
        self._path = path
        self._counts: dict[tuple[int, int], TileCount] = {}
        head = f"{_HEAD} {key}"
        try:
            lines = path.read_text("ascii").split("\n") if path.exists() else []
        except (OSError, UnicodeDecodeError):
            lines = []
        if lines and lines[0] == head:
            for line in lines[1:-1]:  # the last has no newline: cut short, or empty
                self._note(line)
        try:
            self._file = path.open("w", encoding="ascii", newline="\n", buffering=1)
            self._file.write(head + "\n")
            for (column, row), count in self._counts.items():
                self._file.write(f"{column} {row} {count.covered} {count.over_white}\n")
        except OSError as error:
            raise output_failed(path, error) from error

    def _note(self, line: str) -> None:
        fields = line.split(" ")
        if len(fields) == 4 and all(field.isdecimal() for field in fields):
            column, row, covered, over = map(int, fields)
            self._counts[column, row] = TileCount(covered, over)

    def get(self, column: int, row: int) -> TileCount | None:
        """The counts of a tile, or None where they are not known."""
        return self._counts.get((column, row))

    def add(self, column: int, row: int, count: TileCount) -> None:
        """Note the counts of a tile."""
        self._counts[column, row] = count
        try:
            self._file.write(f"{column} {row} {count.covered} {count.over_white}\n")
        except OSError as error:
            raise output_failed(self._path, error) from error

    def totals(self) -> TileCount:
        """Over all tiles."""
        return TileCount(
            sum(c.covered for c in self._counts.values()), sum(c.over_white for c in self._counts.values())
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()
