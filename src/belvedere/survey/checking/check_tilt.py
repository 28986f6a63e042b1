"""Whether rows climb or sink, single frames stand askew or off their row, and the head is level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.align.alignment import Alignment
from belvedere.capture.frame import Frame
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import degrees, frame_words, percent
from belvedere.survey.checking.head_grid import HeadGrid, Row, head_grid
from belvedere.survey.checking.missing_frames import LEAST_OVERLAP
from belvedere.survey.checking.neighbours import half_width, height_of
from belvedere.survey.checking.roll_cost import RollCost, roll_cost
from belvedere.survey.checking.row_climb import (
    PITCH_SCATTER,
    ROLL_SCATTER,
    STEEP,
    Climb,
    RowClimbs,
    row_climbs,
)

# From where a deviation is worth a word; common practice, no published source.
_ROLL = math.radians(1.5)
_OFF_ROW_SHARE = 0.10  # of a frame's height
_CLIMB = math.radians(0.6)  # over the whole row
_CLIMB_SHARE = 0.02  # of a frame's height, over the whole row
_CLIMB_COSTS = 0.04  # of a frame's height, from which the picture shows it
_CLIMB_SURE = 4.0  # sigmas
_LEAN = math.radians(1.0)
_NOTHING = 0.005  # share of a frame's height that is not worth a word
_WORTH_SAYING = 0.015  # share of a frame by which an overlap differs
_WELL_KNOWN = math.radians(2.0)  # a level that may be farther off than this tells too little
_ASKEW = math.radians(1.0)
_SURE = 5.0  # sigmas
_ODD = 6.0  # sigmas of the other frames, for one of many
_SUSPECT = math.radians(0.6)  # from here a roll is looked at again without its frame
_TRIED = 3  # so many frames at a time
_TURNED = math.radians(45.0)  # a roll beyond this is a wrong orientation tag
_OVER = math.radians(135.0)  # and beyond this a frame leant back over the zenith


def examine_tilt(checked: Checked) -> tuple[Finding, ...]:
    """Look for rolled frames, frames off their row, rows that climb or sink, and a head out of level.

    Returns
    -------
    tuple of Finding
        "roll" and "tilt" (a frame, or a row as a whole): risks; a row that climbs by little is a note.
        "level": a risk where something else than the head tells what is level, a note where nothing does,
        and where the camera sits askew on the head.
    """
    if not checked.alignment.used:
        return ()
    askew = _askew_frames(checked.alignment, head_grid(checked.alignment))
    grid = head_grid(checked.alignment, unsteady=askew)
    climbs = row_climbs(grid, _place_sigmas(checked.alignment), askew)
    found = _rolled(checked.frames, grid, askew)
    found += _off_row(checked.frames, grid)
    found += _climbing(checked.frames, grid, climbs)
    found += _askew_camera(checked.frames, grid, climbs)
    found += _out_of_level(checked, grid)
    return tuple(found)


def _askew_frames(alignment: Alignment, grid: HeadGrid) -> tuple[int, ...]:
    """Frames whose roll does not fit a pan axis found without them.

    One at a time, the least fitting first: a rolled frame pulls the axis towards itself, in a short row so
    far that it hardly stands out.
    """
    out: list[int] = []
    own = [i for i in sorted(grid.poses) if abs(grid.poses[i].pitch) < STEEP]
    while len(own) - len(out) > 3:
        rest = [i for i in own if i not in out]
        off = _roll_off(grid, rest, rest)
        suspects = sorted((i for i in rest if abs(off[i]) > _SUSPECT), key=lambda i: -abs(off[i]))[:_TRIED]
        best: tuple[float, int, HeadGrid] | None = None
        for i in suspects:
            without = head_grid(alignment, unsteady=(*out, i))
            steady = [k for k in rest if k != i]
            own_off = _roll_off(without, [i], steady)[i]
            others = np.array(list(_roll_off(without, steady, steady).values()))
            ratio = abs(own_off) / max(_ROLL, _ODD * _scatter(others, ROLL_SCATTER))
            if ratio > 1.0 and (best is None or ratio > best[0]):
                best = (ratio, i, without)
        if best is None:
            break
        out.append(best[1])
        grid = best[2]
    return tuple(sorted(out))


def _roll_off(grid: HeadGrid, which: Sequence[int], steady: Sequence[int]) -> dict[int, float]:
    """Roll of frames against the median of steady ones, rad."""
    middle = float(np.median([grid.poses[i].roll for i in steady]))
    return {i: math.remainder(grid.poses[i].roll - middle, 2.0 * math.pi) for i in which}


def _rolled(frames: Sequence[Frame], grid: HeadGrid, askew: Sequence[int]) -> list[Finding]:
    """Frames whose roll differs from the others'."""
    if not askew:
        return []
    steady = [i for i in sorted(grid.poses) if i not in askew and abs(grid.poses[i].pitch) < STEEP]
    found = []
    middle = float(np.median([grid.poses[i].roll for i in steady]))
    for i, angle in _roll_off(grid, askew, steady).items():
        way = "clockwise" if angle > 0.0 else "counter-clockwise"
        if abs(angle) > _OVER:
            continue
        if abs(angle) > _TURNED:
            words = (
                f"{frame_words(frames, i)} lies turned by {degrees(angle)} against the others: its "
                "orientation tag is likely wrong; the picture does not mind"
            )
            found.append(Finding("roll", "note", (i,), words, {"roll_deg": math.degrees(angle)}))
            continue
        cost = roll_cost(grid, i, middle)
        words = (
            f"{frame_words(frames, i)} is rolled {degrees(angle)} {way} against the others: {_cost(cost)}; "
            "tighten the camera on the head"
            + (", and shoot it again only if you need that" if cost.lost >= _NOTHING else "")
        )
        numbers = {"roll_deg": math.degrees(angle), "lost_fraction": cost.lost}
        if cost.overlaps:
            numbers["overlap_fraction"] = min(own for _, own, _ in cost.overlaps)
            numbers["upright_overlap_fraction"] = min(meant for _, _, meant in cost.overlaps)
        found.append(Finding("roll", "risk", (i,), words, numbers))
    return found


def _cost(cost: RollCost) -> str:
    """What a rolled frame costs, and that it can be stitched all the same."""
    changed = [s for s in cost.overlaps if abs(s[2] - s[1]) >= _WORTH_SAYING]
    joined = all(own >= LEAST_OVERLAP for _, own, _ in cost.overlaps)
    shares = "".join(
        f"it shares {percent(o)} with frame {i + 1}, upright {percent(m)}; " for i, o, m in changed
    )
    if cost.overlaps and not changed:
        shares = "its overlaps stay what they are, "
    lost = f"the crop loses about {percent(cost.lost)} of a frame's height there"
    if cost.lost < _NOTHING:
        lost = "the crop loses nothing"
    return f"{shares}{lost}" + ("; it can be stitched as it is" if joined else "")


def _off_row(frames: Sequence[Frame], grid: HeadGrid) -> list[Finding]:
    """Frames that look higher or lower than the line of their row."""
    off: dict[int, float] = {}
    for row in grid.rows:
        if len(row.frames) >= 4 and abs(row.pitch) < STEEP:
            off |= dict(zip(row.frames, _line(grid, row).off.tolist(), strict=True))
    if not off:
        return []
    scatter = _scatter(np.array(list(off.values())), PITCH_SCATTER)
    found = []
    for i in sorted(off):
        height = height_of(grid.cameras[i])
        if abs(off[i]) < max(_OFF_ROW_SHARE * height, _ODD * scatter):
            continue
        way, back = ("higher", "down") if off[i] > 0.0 else ("lower", "up")
        words = (
            f"{frame_words(frames, i)} looks {degrees(off[i])} {way} than its row: the crop loses about "
            f"{percent(abs(off[i]) / height)} of the row's height; tilt {back} and shoot it again only if "
            "you need that"
        )
        found.append(Finding("tilt", "risk", (i,), words, {"off_deg": math.degrees(off[i])}))
    return found


@dataclass(frozen=True, slots=True)
class _Line:
    """A row's pitch as a line of its yaw: slope, and what every frame is off it, rad."""

    slope: float
    off: NDArray[np.float64]


def _line(grid: HeadGrid, row: Row) -> _Line:
    """The median of the slopes between all pairs of frames (Theil 1950, Sen 1968), none for a full turn."""
    yaw = np.array([place.yaw for place in row.places for _ in place.frames])
    pitch = np.array([grid.poses[i].pitch for i in row.frames])
    slope = 0.0
    if not row.closed and len(yaw) > 2:
        a, b = np.triu_indices(len(yaw), 1)
        apart = yaw[b] - yaw[a]
        far = np.abs(apart) > 1e-3
        slope = float(np.median((pitch[b] - pitch[a])[far] / apart[far])) if far.any() else 0.0
    left = pitch - slope * yaw
    return _Line(slope, left - float(np.median(left)))


def _place_sigmas(alignment: Alignment) -> dict[int, float]:
    """One sigma of every frame's place against its neighbours, rad, where the adjustment tells it."""
    return {
        i: place.placement_sigma_px / place.camera.focal_px
        for i, place in enumerate(alignment.frames)
        if place.camera is not None and place.placement_sigma_px is not None
    }


def _climbing(frames: Sequence[Frame], grid: HeadGrid, climbs: RowClimbs) -> list[Finding]:
    """Rows that climb, and rows that sink, in one sentence each."""
    ways: dict[str, list[int]] = {"climb": [], "sink": []}
    if climbs.cause == "askew" and abs(climbs.askew) >= _ASKEW:
        return []
    for number, (row, climb) in enumerate(zip(grid.rows, climbs.climbs, strict=True)):
        height = height_of(grid.cameras[row.frames[0]])
        if abs(climb.total) >= max(_CLIMB, _CLIMB_SHARE * height, _CLIMB_SURE * climb.sigma):
            ways["climb" if climb.total > 0.0 else "sink"].append(number)
    return [
        _climb(frames, grid, way, own, climbs.climbs, climbs.cause == "drift")
        for way, own in ways.items()
        if own
    ]


def _climb(
    frames: Sequence[Frame],
    grid: HeadGrid,
    way: str,
    own: Sequence[int],
    climbs: Sequence[Climb],
    drift: bool,
) -> Finding:
    worst = max(own, key=lambda r: abs(climbs[r].total))
    row, total = grid.rows[worst], climbs[worst].total
    lost = abs(total) / height_of(grid.cameras[row.frames[0]])
    what = "the row" if len(grid.rows) == 1 else f"row {own[0] + 1}"
    if len(own) > 1:
        what = f"rows {', '.join(str(r + 1) for r in own)}"
    many = len(own) > 1
    why = "the head gives way" if drift else "the head gives way, or the camera sits askew on it"
    risk = lost >= _CLIMB_COSTS
    remedy = (
        "tighten and level it; nothing is missing, so shoot again only if you need that height"
        if risk
        else "tighten and level it before the next series"
    )
    words = (
        f"{what} {way}{'' if many else 's'} by {'up to ' if many else ''}{degrees(total)} from "
        f"{frame_words(frames, row.frames[0])} to {frame_words(frames, row.frames[-1])}: {why}; the crop "
        f"costs about {percent(lost)} of a row's height; {remedy}"
    )
    about = {
        "row": float(worst),
        "climb_deg": math.degrees(total),
        "climb_sigma_deg": math.degrees(climbs[worst].sigma),
        "lost_fraction": lost,
    }
    frames_of = tuple(sorted(i for r in own for i in grid.rows[r].frames))
    return Finding("tilt", "risk" if risk else "note", frames_of, words, about)


def _askew_camera(frames: Sequence[Frame], grid: HeadGrid, climbs: RowClimbs) -> list[Finding]:
    """A camera that stands askew on the head: only a wide row or a full turn shows it plainly."""
    closed = [row for row in grid.rows if row.closed and abs(row.pitch) < STEEP]
    own = tuple(sorted(i for row in closed or grid.rows for i in row.frames))
    if closed:
        roll = float(np.median([grid.poses[i].roll for i in own]))
    else:
        roll = climbs.askew if climbs.cause == "askew" else 0.0
    if abs(roll) < _ASKEW:
        return []
    way = "clockwise" if roll > 0.0 else "counter-clockwise"
    words = (
        f"the camera sits {degrees(roll)} {way} askew on the head: every frame steps a little up or down "
        f"against the next, from {frame_words(frames, own[0])} on; set it upright before the next series"
    )
    return [Finding("level", "note", own, words, {"roll_deg": math.degrees(roll)})]


def _out_of_level(checked: Checked, grid: HeadGrid) -> list[Finding]:
    """The head's axis against what else tells of gravity."""
    level = checked.alignment.level
    used = tuple(sorted(grid.poses))
    if level.source == "pan-axis":
        words = "nothing in the pictures tells what is level but the head itself; look at its bubble"
        return [Finding("level", "note", used, words, {"sigma_deg": math.degrees(level.sigma_rad)})]
    if not math.isfinite(grid.sigma):
        return []
    up = -grid.axes[1]
    lean = math.atan2(math.hypot(float(up[0]), float(up[2])), -float(up[1]))
    sigma = math.hypot(level.sigma_rad, grid.sigma)
    common_roll = abs(float(np.median([grid.poses[i].roll for i in used])))  # may hide in the axis
    if lean < max(_LEAN, _SURE * sigma) + common_roll:
        if _SURE * sigma < _WELL_KNOWN:
            return []
        words = f"the level is known to {degrees(sigma)} only, {level.words}; look at the head's bubble"
        return [Finding("level", "note", used, words, {"sigma_deg": math.degrees(sigma)})]
    towards = math.atan2(float(up[0]), float(up[2]))
    words = (
        f"the head leans {degrees(lean)}, {_direction(checked.frames, grid, towards)}: the row rises and "
        "sinks against the horizon, and the crop costs height; level the head before the next series"
    )
    numbers = {
        "lean_deg": math.degrees(lean),
        "towards_yaw_deg": math.degrees(towards),
        "sigma_deg": math.degrees(sigma),
    }
    return [Finding("level", "risk", used, words, numbers)]


def _direction(frames: Sequence[Frame], grid: HeadGrid, towards: float) -> str:
    """A direction by the frame that looks there, or away from there."""
    for word, yaw in (("towards", towards), ("away from", towards + math.pi)):
        apart = {
            i: abs(
                (math.atan2(c.rotation[2, 0], c.rotation[2, 2]) - yaw + math.pi) % (2.0 * math.pi) - math.pi
            )
            for i, c in sorted(grid.cameras.items())
        }
        nearest = min(apart, key=lambda i: apart[i])
        if apart[nearest] <= half_width(grid, nearest):
            return f"{word} {frame_words(frames, nearest)}"
    return "to the right of the field" if math.sin(towards) > 0.0 else "to the left of the field"


def _scatter(off: NDArray[np.float64], least: float) -> float:
    """One sigma by the median size (0.6745 of a normal one), at least half of what heads do anyway."""
    return max(float(np.median(np.abs(off))) / 0.6745, least / 2.0)
