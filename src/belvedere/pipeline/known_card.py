"""Whether a folder is the card that was sorted, or another with files of the same names."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from belvedere.capture.card import Card
from belvedere.capture.metadata import read_metadata
from belvedere.errors import UnreadableFile
from belvedere.survey.sorting.sorted_card import KnownFile

_FILES = 12  # of a card: enough to meet some again after others were deleted


def known_by(card: Card) -> tuple[KnownFile, ...]:
    """A few files of a card, spread over it: counters start again, and two cards then share names."""
    count = len(card.shots)
    chosen = sorted({k * (count - 1) // max(1, _FILES - 1) for k in range(_FILES)}) if count else []
    out = []
    for shot in (card.shots[k] for k in chosen):
        taken = shot.exposure.metadata.taken
        with suppress(OSError):
            size = shot.exposure.file.stat().st_size
            out.append(
                KnownFile(file=shot.place, bytes=size, taken=None if taken is None else taken.isoformat())
            )
    return tuple(out)


def is_known_card(root: Path, known: Sequence[KnownFile]) -> bool | None:
    """Whether a folder holds a file by which a card is known: same path, size and time of exposure.

    A single one makes it the same card: others may have been edited or deleted.

    Returns
    -------
    bool or None
        None where none of the files is there, so that nothing can be told.
    """
    met = False
    for one in known:
        file = root / one.file
        try:
            size = file.stat().st_size
        except OSError:
            continue
        met = True
        if size == one.bytes and _taken(file) == one.taken:
            return True
    return False if met else None


def _taken(file: Path) -> str | None:
    try:
        taken = read_metadata(file).taken
    except UnreadableFile:
        return "cannot be read"
    return None if taken is None else taken.isoformat()
