"""Results of stages that have no room of their own, as they are kept in the work folder."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.capture.bracket_account import BracketAccount
from belvedere.geometry.plate import Plate


@dataclass(frozen=True)
class Usable:
    """The frames stage: which frames can be decoded, and why the others cannot; of those of several exposures
    what became of them."""

    usable: tuple[int, ...]
    unusable: tuple[tuple[int, str], ...]
    accounts: tuple[BracketAccount | None, ...] = ()


@dataclass(frozen=True)
class Contrasts:
    """The contrast curves of the set's cameras, where exposures are merged: one for each body of the frames'
    first exposures, in the order met; None where it is not known."""

    curves: tuple[tuple[float, ...] | None, ...]


@dataclass(frozen=True)
class Layout:
    """The plate stage: the plate, why it is this one, and the share of the resolution wanted that it has."""

    plate: Plate
    why: str
    share: float = 1.0


@dataclass(frozen=True)
class PictureFile:
    """The picture stage: the file as it was left."""

    file_bytes: int
    modified_ns: int
