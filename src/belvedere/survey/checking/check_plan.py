"""A set held against its shoot plan: stops not shot, another lens, and where on the head a remedy lies."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.align.overlaps import frame_grid
from belvedere.capture.frame import Frame
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import pose_matrix
from belvedere.plan.head import clicks_within
from belvedere.plan.match import PlanMatch, match_plan, presumed
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.stops import Stop
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding, Grave
from belvedere.survey.checking.frame_words import degrees, frame_words, listed, turn_words
from belvedere.survey.checking.head_grid import HeadGrid, head_grid

_FOLLOWS = 0.5  # share of frames that stand at stops, under which the plan is likely another set's
_COVERED = 0.97  # of a stop's share of the view, from which other frames stand in for it
_RAYS = 24
_LENS_NOTE, _LENS_RISK = 0.02, 0.08  # relative difference of the angle of view; no published source
_NAMED = 6  # stops named one by one
_BACKWARDS = 1.3  # a way to the left is taken where it is so much shorter


def against_plan(checked: Checked, found: Sequence[Finding], plan: ShootPlan) -> tuple[Finding, ...]:
    """Findings of a set, with what its plan tells.

    A stop that was not shot is missing only where the frames do not show its part of the view; more frames
    than planned, or others in its stead, are as good.

    Parameters
    ----------
    checked : Checked
    found : sequence of Finding
        What the examiners found without the plan.
    plan : ShootPlan

    Returns
    -------
    tuple of Finding
        "missing" by the plan in place of what steps alone tell, reshoot: `stops` and `stop`, how many and
        the first; `turn_deg`, `up_deg` from the nearest frame. "settings" for another lens or a camera held
        the other way, a risk or a note. "plan", a note on how many stops were shot; a risk where the set
        does not follow the plan at all. To findings with `turn_deg` or `up_deg` from a frame, the angle from
        stop 1 and the click on the head.
    """
    if not checked.alignment.used:
        return tuple(found)
    grid = head_grid(checked.alignment)
    match = match_plan(plan, grid.looks)
    lens = _lens(checked.frames, grid, plan)
    if len(match.matched) < _FOLLOWS * len(grid.poses):
        return (*found, *lens, _another(match, grid))
    unplaced = [i for i in range(len(checked.frames)) if i not in grid.poses]
    likely = presumed(match, unplaced)
    uncovered = [s for s in match.open if s.number not in likely and not _is_covered(match, grid, s)]
    told = [_not_shot(checked.frames, grid, match, group) for group in _groups(uncovered)]
    kept = [f for f in found if not _is_the_plans(match, grid, f, uncovered)]
    rest = [_on_head(match, grid, f) for f in kept]
    return (*told, *rest, *lens, _summary(match, uncovered, likely, len(checked.frames)))


def _groups(stops: Sequence[Stop]) -> list[list[Stop]]:
    """Stops beside each other in one row, together."""
    out: list[list[Stop]] = []
    for stop in sorted(stops, key=lambda s: (s.row, s.column)):
        if out and (out[-1][-1].row, out[-1][-1].column + 1) == (stop.row, stop.column):
            out[-1].append(stop)
        else:
            out.append([stop])
    return out


def _not_shot(frames: Sequence[Frame], grid: HeadGrid, match: PlanMatch, group: Sequence[Stop]) -> Finding:
    """Stops in one row, side by side, that nothing stands in for."""
    planned = match.plan.rows[group[0].row]
    first = min(group, key=lambda s: s.number)
    near, turn, lift = _from_nearest(grid, match, first)
    row = f" in row {first.row + 1}" if len(match.plan.rows) > 1 else ""
    what = f"{_stops_words(group)} of the plan{row} {'is' if len(group) == 1 else 'are'} not shot"
    if len(group) == len(planned.stops) and len(match.plan.rows) > 1:
        what = f"row {first.row + 1} of the plan is not shot ({_stops_words(group)})"
    words = (
        f"{what}: turn {turn_words(turn, lift)} of {frame_words(frames, near)}, "
        f"{_head_words(match, first.yaw - match.plan.stops()[0].yaw, first)}"
    )
    numbers = {
        "row": float(first.row),
        "column": float(first.column),
        "stop": float(first.number),
        "count": float(len(group)),
        "turn_deg": math.degrees(turn),
        "up_deg": math.degrees(lift),
    }
    return Finding("missing", "reshoot", (near,), words, numbers)


def _stops_words(group: Sequence[Stop]) -> str:
    numbers = sorted(s.number for s in group)
    if len(numbers) == 1:
        return f"stop {numbers[0]}"
    if len(numbers) > _NAMED or (len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1):
        return f"stops {numbers[0]} to {numbers[-1]}"
    return f"stops {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _head_words(match: PlanMatch, head_yaw: float, stop: Stop | None) -> str:
    """Where that is on the head: the turn from the first stop, the click, the stop."""
    turn = math.remainder(head_yaw, 2.0 * math.pi)
    way = "" if abs(turn) < math.radians(0.05) else f" {'right' if turn > 0.0 else 'left'}"
    parts = [f"{degrees(turn)}{way} of stop 1" if way else "where stop 1 is"]
    click = match.plan.head.yaw_click
    if stop is not None and stop.yaw_clicks is not None:
        parts.append(f"click {stop.yaw_clicks}")
        if len(match.plan.rows) > 1 and stop.pitch_clicks is not None:
            parts.append(f"tilt click {stop.pitch_clicks}")
    elif click is not None:
        parts.append(f"click {round(turn / click)}")
    return f"on the head {', '.join(parts)}"


def _from_nearest(grid: HeadGrid, match: PlanMatch, stop: Stop) -> tuple[int, float, float]:
    """The frame nearest to a stop, and how to get there from it: yaw to the right and pitch up, rad."""
    best: tuple[float, int, float, float] | None = None
    for i in sorted(grid.poses):
        turn = math.remainder(stop.yaw + match.yaw - grid.poses[i].yaw, 2.0 * math.pi)
        lift = stop.pitch + match.pitch - grid.poses[i].pitch
        far = math.hypot(turn * math.cos(stop.pitch), lift) * (1.0 if turn > 0.0 else _BACKWARDS)
        if best is None or far < best[0]:
            best = (far, i, turn, lift)
    assert best is not None
    return best[1:]


def _is_covered(match: PlanMatch, grid: HeadGrid, stop: Stop) -> bool:
    """Whether the frames show all that a stop's frame would have shown of the view."""
    plan = match.plan
    width, height = plan.frame_px
    one = Camera(
        width,
        height,
        plan.focal_px,
        ((width - 1) / 2.0, (height - 1) / 2.0),
        (0.0, 0.0, 0.0),
        (1.0, 0.0, 0.0, 0.0),
    )
    rays = one.with_rotation(pose_matrix(stop.yaw, stop.pitch, 0.0).T).rays(frame_grid(one, _RAYS))
    yaw = np.remainder(np.arctan2(rays[:, 0], rays[:, 2]) - plan.view.yaw_left, 2.0 * np.pi)
    pitch = np.arctan2(-rays[:, 1], np.hypot(rays[:, 0], rays[:, 2]))
    wanted = (yaw <= plan.view.wide) & (pitch >= plan.view.pitch_low) & (pitch <= plan.view.pitch_high)
    if not wanted.any():
        return True
    turned = pose_matrix(match.yaw, 0.0, 0.0)
    lifted = _lifted(rays[wanted], match.pitch)
    world = lifted @ turned.T @ grid.axes
    seen = np.zeros(len(world), dtype=bool)
    for camera in grid.cameras.values():
        seen |= camera.project(world)[1]
    return float(np.mean(seen)) >= _COVERED


def _lifted(rays: NDArray[np.float64], pitch: float) -> NDArray[np.float64]:
    """Rays with so much more pitch, rad."""
    flat = np.hypot(rays[:, 0], rays[:, 2])
    up = np.arctan2(-rays[:, 1], flat) + pitch
    share = np.cos(up) / np.maximum(flat, 1e-12)
    return np.asarray(np.stack([rays[:, 0] * share, -np.sin(up), rays[:, 2] * share], axis=1))


def _is_the_plans(match: PlanMatch, grid: HeadGrid, finding: Finding, uncovered: Sequence[Stop]) -> bool:
    """Whether frames missing are told by the plan: by a stop not shot, or by an end as planned."""
    if finding.kind == "missing":
        target = _target(grid, finding)
        if target is None:
            return False
        stop = match.stop_near(*target)
        if stop is not None:
            return stop in uncovered
        return not _in_view(match, *target)
    if finding.kind == "ends":
        row = grid.rows[int(finding.numbers["row"])]
        own = {s.row for s in match.shot if set(match.frames_at[s.number]) & set(row.frames)}
        planned = [s for r in sorted(own) for s in match.plan.rows[r].stops]
        return all(match.frames_at[s.number] or s in uncovered for s in planned)
    return False


def _in_view(match: PlanMatch, yaw: float, pitch: float) -> bool:
    view = match.plan.view
    across = (yaw - match.yaw - view.yaw_left) % (2.0 * math.pi)
    return across <= view.wide and view.pitch_low <= pitch - match.pitch <= view.pitch_high


def _target(grid: HeadGrid, finding: Finding) -> tuple[float, float] | None:
    """Yaw and pitch in the head's axes that a finding sends to; None where it sends nowhere."""
    turn, lift = finding.numbers.get("turn_deg"), finding.numbers.get("up_deg")
    near = finding.numbers.get("from_frame", finding.frames[0] if finding.frames else None)
    if near is None or (turn is None and lift is None) or "step_deg" in finding.numbers:
        return None
    pose = grid.poses.get(int(near))
    if pose is None:
        return None
    return pose.yaw + math.radians(turn or 0.0), pose.pitch + math.radians(lift or 0.0)


def _on_head(match: PlanMatch, grid: HeadGrid, finding: Finding) -> Finding:
    """A finding that sends somewhere, with where that is on the head; or with a better step, in clicks."""
    click = match.plan.head.yaw_click
    if "step_deg" in finding.numbers and click is not None:
        clicks = clicks_within(math.radians(finding.numbers["turn_deg"]), click)
        if clicks > 0:
            return replace(finding, words=f"{finding.words}; on the head {clicks} clicks a step")
    target = _target(grid, finding) if finding.kind in ("missing", "overlap", "stray") else None
    if target is None:
        return finding
    stop = match.stop_near(*target)
    turn = match.head_yaw(target[0])
    said = _head_words(match, turn, None) + (f", near stop {stop.number}" if stop is not None else "")
    return replace(
        finding, words=f"{finding.words}; {said}", numbers=finding.numbers | {"head_deg": math.degrees(turn)}
    )


def _lens(frames: Sequence[Frame], grid: HeadGrid, plan: ShootPlan) -> list[Finding]:
    """Whether the frames have the plan's angle of view, and are held as planned."""
    found = []
    width, height = plan.frame_px
    planned = math.hypot(width, height) / plan.focal_px
    held = {i: math.hypot(c.width, c.height) / c.focal_px for i, c in grid.cameras.items()}
    usual = float(np.median(list(held.values())))
    off = planned / usual - 1.0  # > 0: the lens is longer than planned, the frames show less
    if abs(off) > _LENS_NOTE:
        grave: Grave = "risk" if abs(off) > _LENS_RISK else "note"
        less = "less" if off > 0.0 else "more"
        words = (
            f"the frames show {less} than the plan's lens of {plan.focal_mm:g} mm would, like one of about "
            f"{plan.focal_mm * planned / usual:.0f} mm; what they cover and share is judged as they are"
        )
        found.append(Finding("settings", grave, tuple(sorted(held)), words, {"lens_factor": planned / usual}))
    upright = height >= width
    other = tuple(i for i, c in sorted(grid.cameras.items()) if (c.height >= c.width) != upright)
    if 2 * len(other) > len(grid.cameras):
        words = (
            f"the plan has the camera {'upright' if upright else 'across'}, and {listed(frames, other)} are "
            "not; they are judged as they are"
        )
        found.append(Finding("settings", "risk", other, words))
    return found


def _another(match: PlanMatch, grid: HeadGrid) -> Finding:
    own = tuple(sorted(grid.poses))
    words = (
        f"the set does not follow the plan: {len(match.matched)} of {len(own)} frames stand at one of its "
        f"{match.plan.frames} stops; it is judged without the plan; look whether it is the plan of this set"
    )
    return Finding("plan", "risk", own, words, {"matched": float(len(match.matched))})


def _summary(match: PlanMatch, uncovered: Sequence[Stop], likely: Mapping[int, int], frames: int) -> Finding:
    """How far the plan is followed; nothing of it asks for anything."""
    shot = len(match.shot) + len(likely)
    words = f"{shot} of the plan's {match.plan.frames} stops are shot"
    if likely:
        words += f", {len(likely)} of them in frames that could not be placed"
    stood_in = [s for s in match.open if s not in uncovered and s.number not in likely]
    if stood_in:
        words += f"; {_stops_words(stood_in)} not, but other frames show that part"
    besides = frames - shot
    if besides > 0:
        words += f"; {besides} {'frame' if besides == 1 else 'frames'} besides"
    numbers = {"shot": float(shot), "planned": float(match.plan.frames), "besides": float(besides)}
    return Finding("plan", "note", (), words, numbers)
