"""What became of the exposures of one pose, as it is kept beside their merged picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median_low

import msgspec

from belvedere.capture.exposure_noise import USUAL_NOISE, NoiseModel
from belvedere.errors import OutputFailed

VERSION = 1
"""Raise it when merging gives other pixels: merged frames that lie on disk are then made anew."""


@dataclass(frozen=True, slots=True)
class BracketAccount:
    """What became of the exposures of one pose; numbers count in `Frame.exposures`.

    Parameters
    ----------
    merged : tuple of int
        Exposures that were merged, from less to more light.
    exposure_ev : tuple of float
        What each of those took, stops above the shortest of the frame (its white is the merged light's 1).
    lost : tuple of (int, str)
        Exposures that were not, each with the reason in words that follow the file's name.
    wrong_settings : tuple of int
        Exposures whose settings the pixels contradict.
    bent_ev : float
        How much more two exposures lie apart in bright than in dark places: not 0 where the curve is not the
        camera's.
    shift_px, left_px : float
        How far the camera moved between exposures at most, and what is left of it after shifts by whole px.
    moved_share : float
        Share of the frame that is taken from one exposure, 0 to 1.
    moved_regions : int
    noise : NoiseModel
        At the sensitivity of the shortest.
    curve : tuple of float
        The camera's own contrast curve that was undone, see `response_curve`; empty where there was none.
    version : int
        Of the merging that gave this.
    """

    merged: tuple[int, ...]
    exposure_ev: tuple[float, ...]
    lost: tuple[tuple[int, str], ...] = ()
    wrong_settings: tuple[int, ...] = ()
    bent_ev: float = 0.0
    shift_px: float = 0.0
    left_px: float = 0.0
    moved_share: float = 0.0
    moved_regions: int = 0
    noise: NoiseModel = USUAL_NOISE
    curve: tuple[float, ...] = ()
    version: int = VERSION


def brightness_ev(accounts: Sequence[BracketAccount | None]) -> float:
    """How much brighter than their merged light a picture of some frames shows them, EV, >= 0.

    Merged light is 1 at white of each frame's shortest exposure; a picture to look at is as bright as the
    middle ones. The mean over the frames, as gain is counted from their mean too.
    """
    middle = [0.0 if a is None else max(median_low(a.exposure_ev), 0.0) for a in accounts]
    return sum(middle) / len(middle) if middle else 0.0


def account_path(merged: Path) -> Path:
    """Where the account of a merged frame's file lies: beside it."""
    return merged.with_name(merged.name + ".account.json")


def write_account(account: BracketAccount, file: Path) -> None:
    """Keep an account; raises OutputFailed."""
    try:
        file.write_bytes(msgspec.json.encode(account))
    except OSError as error:
        raise OutputFailed(f"{file.parent}: the scratch folder cannot be written ({error})") from error


def read_account(file: Path) -> BracketAccount | None:
    """An account that was kept; None where there is none, none that is whole, or one of another merging."""
    try:
        account = msgspec.json.decode(file.read_bytes(), type=BracketAccount)
    except (OSError, msgspec.DecodeError):
        return None
    return account if account.version == VERSION else None
