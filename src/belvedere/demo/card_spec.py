"""A camera card to be shot: what each body wrote, part by part, in the order shot."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from belvedere.demo.marker_frames import MarkerKind
from belvedere.demo.place import Place
from belvedere.demo.spec import SetSpec, SimulatedBody


@dataclass(frozen=True, slots=True)
class Series:
    """Frames that make one picture.

    Parameters
    ----------
    spec : SetSpec
        How it is shot; body, place, size, seed and start come from the card.
    pause_s : float
        Time between the frame before and its first one.
    row_markers : tuple of MarkerKind
        Markers between its rows, one between each two, in turn; empty: none.
    odd : tuple of (frame, stops)
        Frames shot once more at once, with another exposure: the second one is a stray.
    """

    spec: SetSpec
    pause_s: float = 40.0
    row_markers: tuple[MarkerKind, ...] = ()
    odd: tuple[tuple[int, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Marker:
    """A marker frame, shot where the camera looks after the frame before (or before the first one)."""

    kind: MarkerKind
    pause_s: float = 7.0


@dataclass(frozen=True, slots=True)
class Stray:
    """A frame that belongs to nothing: `spec` is a set of one frame in the same place."""

    spec: SetSpec
    why: str
    pause_s: float = 18.0


Part = Series | Marker | Stray


@dataclass(frozen=True, slots=True)
class Roll:
    """What one body wrote on the card.

    Parameters
    ----------
    body : SimulatedBody
        With its clock.
    parts : tuple of Part
        In the order shot.
    prefix : str
        Of file names, four characters (DCF: free characters before the number).
    folder : str
        Five characters after the folder's number (CIPA DC-009).
    folder_number, first : int
        Number of the first folder, 100 to 999, and of the first file, 1 to 9999.
    started_s : float
        When it starts, s after the demo's first moment.
    folder_at_wrap : bool
        Whether a new folder is begun after 9999.
    """

    body: SimulatedBody
    parts: tuple[Part, ...]
    prefix: str = "VH_"
    folder: str = "QUENL"
    folder_number: int = 100
    first: int = 1
    started_s: float = 0.0
    folder_at_wrap: bool = True


@dataclass(frozen=True, slots=True)
class CardSpec:
    """A card.

    Parameters
    ----------
    name : str
        Name of the card.
    rolls : tuple of Roll
        One a body.
    place : Place
        Where all of it is shot.
    raw : "none", "dng" or "both"
        Whether a press of the release leaves a raw file, alone or beside its JPEG.
    sidecars : bool
        Whether some frames have an .xmp file of edits beside them.
    """

    name: str
    rolls: tuple[Roll, ...]
    place: Place = field(default_factory=Place)
    raw: Literal["none", "dng", "both"] = "none"
    sidecars: bool = False
