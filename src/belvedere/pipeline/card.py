"""Names of files under the card: how a set's frames are known wherever the card is mounted."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path, PurePath


def card_paths(files: Sequence[Path]) -> list[str]:
    """Each file's path under the folder they all lie in, with / between folders.

    Files on different drives keep their whole path.
    """
    absolute = [Path(os.path.abspath(file)) for file in files]  # noqa: PTH100 - links are not followed
    try:
        card = PurePath(os.path.commonpath([file.parent for file in absolute]))
    except ValueError:
        return [file.as_posix() for file in absolute]
    return [file.relative_to(card).as_posix() for file in absolute]
