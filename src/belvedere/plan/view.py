"""The view: the piece of the sphere that the picture is to show."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from belvedere.errors import PlanError
from belvedere.plan.angles import kept_angle

FULL_TURN = 2.0 * math.pi
_ROUNDING = 1e-9  # rad: what sums of angles may be off


@dataclass(frozen=True, slots=True)
class View:
    """A field in yaw and pitch, radians: yaw to the right, pitch up from the level.

    Parameters
    ----------
    yaw_left, yaw_right : float
        Finite, left < right, at most a full turn apart; a full turn begins at `yaw_left`.
    pitch_low, pitch_high : float
        Within -pi/2 to pi/2, low < high.
    bearing_of_zero : float or None
        Compass bearing of yaw 0, clockwise from north; None where it is not known.

    Raises
    ------
    PlanError
        If any of this does not hold; says the nearest view that there is.
    """

    yaw_left: float
    yaw_right: float
    pitch_low: float
    pitch_high: float
    bearing_of_zero: float | None = None

    def __post_init__(self) -> None:
        angles = (self.yaw_left, self.yaw_right, self.pitch_low, self.pitch_high, self.bearing_of_zero or 0.0)
        if not all(math.isfinite(a) for a in angles):
            raise PlanError("a view needs angles that are numbers")
        wide, tall = math.degrees(self.wide), math.degrees(self.tall)
        if wide <= 0.0 or tall <= 0.0:
            raise PlanError(
                f"a view {wide:g} degrees wide and {tall:g} high shows nothing",
                "give a left edge left of the right one, and a lower edge below the upper one",
            )
        if self.wide > FULL_TURN + _ROUNDING:
            raise PlanError(
                f"a view cannot be {wide:g} degrees wide", "the widest is a full turn, 360 degrees"
            )
        if self.pitch_low < -math.pi / 2 - _ROUNDING or self.pitch_high > math.pi / 2 + _ROUNDING:
            low, high = math.degrees(self.pitch_low), math.degrees(self.pitch_high)
            raise PlanError(
                f"a view cannot reach from {low:g} to {high:g} degrees above the level",
                f"the nearest there is reaches from {max(low, -90.0):g} to {min(high, 90.0):g}",
            )

    @property
    def wide(self) -> float:
        """Width in yaw, rad."""
        return self.yaw_right - self.yaw_left

    @property
    def tall(self) -> float:
        """Height in pitch, rad."""
        return self.pitch_high - self.pitch_low

    @property
    def yaw(self) -> float:
        """Yaw of the middle, rad."""
        return (self.yaw_left + self.yaw_right) / 2.0

    @property
    def pitch(self) -> float:
        """Pitch of the middle, rad."""
        return (self.pitch_low + self.pitch_high) / 2.0

    @property
    def full_turn(self) -> bool:
        """Whether it goes all round."""
        return self.wide >= FULL_TURN - _ROUNDING

    @property
    def steepest(self) -> float:
        """Largest pitch up or down, rad."""
        return max(self.pitch_high, -self.pitch_low)

    def bearing(self, yaw: float) -> float | None:
        """Compass bearing of a yaw, rad in [0, 2 pi); None where it is not known."""
        return None if self.bearing_of_zero is None else (self.bearing_of_zero + yaw) % FULL_TURN

    def kept(self) -> View:
        """The same view with angles that a plan's document holds without loss (to 1e-9 degree)."""
        bearing = self.bearing_of_zero
        return replace(
            self,
            yaw_left=kept_angle(self.yaw_left),
            yaw_right=kept_angle(self.yaw_right),
            pitch_low=max(kept_angle(self.pitch_low), -math.pi / 2),
            pitch_high=min(kept_angle(self.pitch_high), math.pi / 2),
            bearing_of_zero=None if bearing is None else kept_angle(bearing),
        )


def view_of_angles(wide: float, tall: float, *, pitch: float = 0.0, bearing: float | None = None) -> View:
    """The view of this width and height (rad) about a middle at yaw 0.

    Parameters
    ----------
    wide, tall : float
        > 0, at most 2 pi and pi.
    pitch : float
        Of the middle, rad.
    bearing : float or None
        Compass bearing of the middle, rad.

    Raises
    ------
    PlanError
        If there is no such view.
    """
    if math.isfinite(tall) and tall > math.pi + _ROUNDING:
        raise PlanError(
            f"a view cannot be {math.degrees(tall):g} degrees high",
            "the highest reaches from straight down to straight up, 180 degrees",
        )
    return View(-wide / 2.0, wide / 2.0, pitch - tall / 2.0, pitch + tall / 2.0, bearing)


def view_between_bearings(left: float, right: float, pitch_low: float, pitch_high: float) -> View:
    """The view from one compass bearing clockwise to another, over north where that lies between (rad).

    Its middle is yaw 0. Bearings a whole turn apart (0 and 360 degrees) are a full turn.

    Raises
    ------
    PlanError
        If the bearings are equal, or the elevations make no view.
    """
    if not (math.isfinite(left) and math.isfinite(right)):
        raise PlanError("a view needs bearings that are numbers")
    wide = (right - left) % FULL_TURN
    if min(wide, FULL_TURN - wide) < _ROUNDING:
        if abs(right - left) < _ROUNDING:
            raise PlanError(
                f"a view from {math.degrees(left):g} to {math.degrees(right):g} degrees has no width",
                "for a full turn give 0 and 360 degrees",
            )
        wide = FULL_TURN
    return View(-wide / 2.0, wide / 2.0, pitch_low, pitch_high, (left + wide / 2.0) % FULL_TURN)
