"""The stops of a shoot: where the head stands for each frame, in the order of the exposures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Order = Literal["serpentine", "rows"]
ORDERS: tuple[Order, ...] = ("serpentine", "rows")
Begin = Literal["top", "bottom"]
BEGINS: tuple[Begin, ...] = ("top", "bottom")


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of the head.

    Parameters
    ----------
    number : int
        From 1, in shooting order.
    row, column : int
        From 0: row 0 is the top one, column 0 the leftmost of its row.
    yaw, pitch : float
        Where the camera looks, rad; yaw to the right, pitch up.
    yaw_clicks, pitch_clicks : int or None
        Clicks of the head from the first stop, positive to the right and up; None without detents.
    """

    number: int
    row: int
    column: int
    yaw: float
    pitch: float
    yaw_clicks: int | None = None
    pitch_clicks: int | None = None
