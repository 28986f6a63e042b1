"""Where the sun stands against the view and each frame while the sweep runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from belvedere.errors import PlanError
from belvedere.plan.field_edges import Edge, distance_to_frames, distance_to_view_edge
from belvedere.plan.place import Place
from belvedere.plan.sky_position import SUN_HALF_DIAMETER
from belvedere.plan.stops import Stop
from belvedere.plan.sun import SunAt, SunDrift, sun_drift, sun_track
from belvedere.plan.sweep import Sweep
from belvedere.plan.twilight import SUNRISE_ELEVATION
from belvedere.plan.view import View

# The sun this near outside a frame may still strike the front lens: common practice, no published source.
FLARE_REACH = math.radians(30.0)
# The view is framed before the sweep and looked over after it.
WATCH_S = 1800.0


@dataclass(frozen=True, slots=True)
class SunInView:
    """The sun against the view at one moment.

    Parameters
    ----------
    sun : SunAt
    yaw : float
        In the view's world, radians in [-pi, pi]; its pitch is `sun.elevation`.
    is_up : bool
        Whether its upper limb stands above the level horizon.
    inside : bool
        Whether its centre stands within the view (up or not).
    edge_distance : float
        To the view's nearest edge, radians on the sphere, >= 0 inside and outside; infinite without an edge.
    edge : str or None
        Which edge that is.
    """

    sun: SunAt
    yaw: float
    is_up: bool
    inside: bool
    edge_distance: float
    edge: Edge | None

    @property
    def is_near(self) -> bool:
        """Whether it is up, and within the view or `FLARE_REACH` outside it."""
        return self.is_up and (self.inside or self.edge_distance <= FLARE_REACH)


@dataclass(frozen=True, slots=True)
class SunOverSweep:
    """The sun from the first stop to the last.

    Parameters
    ----------
    start, end : SunInView
    drift : SunDrift
        From start to end.
    held_by : tuple of int
        Numbers of the stops whose frame has the sun's disk in it, wholly or in part, when it is taken.
    flare_at : tuple of int
        Numbers of the stops with the sun up and within `FLARE_REACH` outside the frame.
    nearest_stop : int or None
        The stop whose frame comes nearest; of several equal ones the first. None while the sun is down.
    nearest_distance : float
        From the sun's centre to that frame's edge, radians, 0 inside; infinite while the sun is down.
    near_while_there : bool
        Whether the sun is near the view from half an hour before the sweep to half an hour after it.
    """

    start: SunInView
    end: SunInView
    drift: SunDrift
    held_by: tuple[int, ...]
    flare_at: tuple[int, ...]
    nearest_stop: int | None
    nearest_distance: float
    near_while_there: bool


def sun_in_view(view: View, sun: SunAt) -> SunInView:
    """Place the sun in the view's world and measure to the view's edges.

    Raises
    ------
    PlanError
        If the view is not tied to the compass.
    """
    yaw = _yaw_of(view, sun)
    inside, distance, edge = distance_to_view_edge(yaw, sun.elevation, view)
    return SunInView(sun, yaw, _is_up(sun), inside, distance, edge)


def sun_over_sweep(
    view: View,
    stops: Sequence[Stop],
    half_frame: tuple[float, float],
    place: Place,
    start: datetime,
    sweep: Sweep,
) -> SunOverSweep:
    """Follow the sun over a sweep: each stop is held against the sun of its own time.

    Parameters
    ----------
    stops : sequence of Stop
        In shooting order, as `sweep` was planned for.
    half_frame : (float, float)
        Half width and half height of a frame, as it stands in the world, over the focal length.
    start : datetime
        When the first frame is taken; aware.

    Raises
    ------
    PlanError
        If the view is not tied to the compass, or the sun cannot be computed for that time.
    """
    if len(stops) != len(sweep.starts_s):
        raise PlanError(f"the sweep was timed for {len(sweep.starts_s)} stops, there are {len(stops)}")
    track = sun_track(place, start, sweep.duration_s, _step(sweep.duration_s, 60.0))
    first, last = sun_in_view(view, track[0]), sun_in_view(view, track[-1])
    directions, up = _at_times(view, track, np.array(sweep.starts_s) + sweep.seconds_a_stop / 2)
    yaws, pitches = np.array([s.yaw for s in stops]), np.array([s.pitch for s in stops])
    distance = np.where(up, distance_to_frames(directions, yaws, pitches, half_frame), np.inf)
    holds = distance <= SUN_HALF_DIAMETER
    flare = ~holds & (distance <= FLARE_REACH)
    nearest = int(np.argmin(distance)) if bool(np.any(up)) else None
    return SunOverSweep(
        start=first,
        end=last,
        drift=sun_drift(track),
        held_by=tuple(stop.number for stop, held in zip(stops, holds, strict=True) if held),
        flare_at=tuple(stop.number for stop, struck in zip(stops, flare, strict=True) if struck),
        nearest_stop=None if nearest is None else stops[nearest].number,
        nearest_distance=math.inf if nearest is None else float(distance[nearest]),
        near_while_there=is_sun_near(view, place, start, sweep.duration_s),
    )


def is_sun_near(view: View, place: Place, start: datetime, duration_s: float) -> bool:
    """Whether the sun is in or near the view from half an hour before the sweep to as long after it."""
    watch = sun_track(
        place, start - timedelta(seconds=WATCH_S), duration_s + 2 * WATCH_S, _step(duration_s, 300.0)
    )
    return any(sun_in_view(view, sun).is_near for sun in watch)


def stop_numbers(numbers: Sequence[int]) -> str:
    """Write stop numbers as a person does: "3 to 7, 12 and 20 to 22"; of more than eight runs, how many."""
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    if len(runs) > 8:
        return f"{runs[0][0]} to {runs[-1][1]} ({len(numbers)} of them)"
    words = []
    for a, b in runs:
        words += [f"{a}"] if a == b else [f"{a} to {b}"] if b > a + 1 else [f"{a}", f"{b}"]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _yaw_of(view: View, sun: SunAt) -> float:
    """Yaw of the sun in the view's world: its bearing less the bearing of yaw 0."""
    if view.bearing_of_zero is None:
        raise PlanError(
            "the sun cannot be placed in a view that is not tied to the compass",
            "give the bearing of its middle, or its two edges as bearings",
        )
    return math.remainder(sun.azimuth - view.bearing_of_zero, 2 * math.pi)


def _step(duration_s: float, finest_s: float) -> float:
    """Seconds between positions: the finest asked, up to ten minutes where a sweep lasts days."""
    return min(600.0, max(finest_s, duration_s / 2000.0))


def _is_up(sun: SunAt) -> bool:
    return sun.true_elevation > SUNRISE_ELEVATION


def _at_times(
    view: View, track: Sequence[SunAt], times_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Unit vectors (n, 3) towards the sun at times since the track's start, and whether it is up.

    Between the track's positions the straight chord is off by less than 0.02 degree (ten minutes apart).
    """
    seconds = np.array([(s.when - track[0].when).total_seconds() for s in track])
    yaw = np.array([_yaw_of(view, s) for s in track])
    pitch = np.array([s.elevation for s in track])
    ends = np.stack([np.cos(pitch) * np.sin(yaw), -np.sin(pitch), np.cos(pitch) * np.cos(yaw)], axis=-1)
    directions = np.stack([np.interp(times_s, seconds, ends[:, k]) for k in range(3)], axis=-1)
    directions /= np.linalg.norm(directions, axis=-1, keepdims=True)
    true = np.interp(times_s, seconds, [s.true_elevation for s in track])
    return directions, np.asarray(true > SUNRISE_ELEVATION)
