"""A folder for what a run needs only while it lasts."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from belvedere.compose.finished_file import output_failed


@contextmanager
def scratch_folder(within: Path | None = None) -> Iterator[Path]:
    """Make a folder, and remove it with all it holds when the run ends, however it ends.

    Parameters
    ----------
    within : Path or None
        Folder to make it in; None: the system's folder for temporary files.

    Raises
    ------
    OutputFailed
        If it cannot be made.
    """
    try:
        folder = tempfile.TemporaryDirectory(prefix="belvedere-", dir=within, ignore_cleanup_errors=True)
    except OSError as error:
        raise output_failed(within or Path(tempfile.gettempdir()), error) from error
    with folder as path:
        yield Path(path)
