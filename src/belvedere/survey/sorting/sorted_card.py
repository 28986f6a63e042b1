"""A sorted card: its series with their rows, its marker frames and strays. Schema `belvedere.series/1`.

Readers ignore keys they do not know. Keys with a default here may be missing from a file. Every file is named
by its path under the card, with / between folders.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

SCHEMA = "belvedere.series/1"

Fraction = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
Count = Annotated[int, msgspec.Meta(ge=0)]
Held = Literal["portrait", "landscape", "square"]


class SetApart(msgspec.Struct, frozen=True, omit_defaults=True):
    """A file that is in no series, why, and how sure that is, 0 to 1; 1 is not written."""

    file: str
    why: str
    confidence: Fraction = 1.0


class Series(msgspec.Struct, frozen=True, kw_only=True):
    """Frames that make one picture.

    Parameters
    ----------
    name : str
        Unique on the card, fit for a folder's name.
    frames : tuple of str
        In the order shot. Of a bracket its first exposure; of a raw file and its picture, the picture.
    rows : tuple of tuple of str
        Rows of frames from top to bottom, each from left to right as seen, whatever the order shot.
    missing : tuple of (row, column)
        Places of the grid, from 0, where a frame should be and none is. Columns count in the completed grid.
    brackets : tuple of tuple of str
        For a series of stepped exposures: the files of each pose, in the order shot; empty otherwise.
    twins : dict of file to file
        The raw file of a frame (or of another exposure of a bracket) that lies beside its picture.
    focal_mm : float or None
        As tagged.
    orientation : "portrait", "landscape" or "square"
        How the frames are held.
    started, ended : str or None
        ISO 8601 local times of the first and the last exposure, by the camera's clock.
    why : str
        What makes this a series, in words.
    confidence : float
        0 to 1: how sure that exactly these frames belong together, in these rows.
    """

    name: str
    frames: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    missing: tuple[tuple[Count, Count], ...] = ()
    brackets: tuple[tuple[str, ...], ...] = ()
    twins: dict[str, str] = {}
    focal_mm: float | None = None
    orientation: Held = "portrait"
    started: str | None = None
    ended: str | None = None
    why: str = ""
    confidence: Fraction = 1.0


class KnownFile(msgspec.Struct, frozen=True, kw_only=True):
    """A file by which a card is known again: its path under the card, its size, when it was shot."""

    file: str
    bytes: Count
    taken: str | None = None


class SortedCard(msgspec.Struct, frozen=True, kw_only=True):
    """Everything found on a card; every file read is in exactly one place.

    Parameters
    ----------
    card : str
        The card's folder as given, so that the file alone is enough to go on.
    known_by : tuple of KnownFile
        A few of its files, so that another card with files of the same names is not taken for it.
    series, markers, strays, unreadable
        Series in the order shot; what is in none, in the order shot.
    notices : tuple of str
        What else a person should know, a sentence each.
    copies : str or None
        Folder with copies of the series' files, whose manifest.json tells which is which.
    """

    schema: str = SCHEMA
    card: str
    known_by: tuple[KnownFile, ...] = ()
    series: tuple[Series, ...]
    markers: tuple[SetApart, ...] = ()
    strays: tuple[SetApart, ...] = ()
    unreadable: tuple[SetApart, ...] = ()
    notices: tuple[str, ...] = ()
    copies: str | None = None
