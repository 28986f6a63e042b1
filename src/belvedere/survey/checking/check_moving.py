"""Whether things moved across an overlap between its two exposures: people, cars, water; clouds."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.align.start import Mapper
from belvedere.capture.frame import Frame
from belvedere.geometry.camera import Camera
from belvedere.survey.checking.around_region import Cause, cause_of
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import listed, pair_words
from belvedere.survey.checking.overlap_difference import OverlapDifference, Region, compare_overlap
from belvedere.survey.checking.overlap_field import OverlapField, cameras_of
from belvedere.survey.checking.turn_fit import TurnFit

# No published source for any of these.
_SKY_RAD = math.radians(3.0)  # what lies wholly above this is sky, branches or birds
_CLOUD_RAD = math.radians(6.0)  # details above this may be clouds
_CLOUD_PX = 1.0  # px of the copy: median shift of such details from which the sky moved
_BEYOND = 4.0  # times what the details below shift
_LEAST_CLOUDS = 8  # details
_TOGETHER = 0.2  # of their shift, by which clouds differ in it; simulated ones by 0.1, near trees by 0.3 on
_WHAT: dict[Cause, str] = {
    "moved": "something moved",
    "near": "near things shift",
    "either": "something moved, or stands so near that it shifts,",
}
_REMEDY: dict[Cause, str] = {
    "moved": "to be safe, shoot both again when it is clear",
    "near": "turn the camera about its entrance pupil, and to be safe keep near things out of the overlaps",
    "either": "to be safe, shoot both again when it is clear, or keep near things out of the overlaps",
}


def examine_moving(
    checked: Checked,
    fields: Sequence[OverlapField],
    fit: TurnFit | None,
    *,
    run: Mapper = map,
) -> tuple[Finding, ...]:
    """Look for things that are elsewhere in the second frame of an overlap.

    Parameters
    ----------
    checked : Checked
        The set.
    fields : sequence of OverlapField
        Its overlaps, as `measure_fields` gives them.
    fit : TurnFit or None
        Of these, by `fit_checked`; None: there are too few details for one.
    run : Mapper
        Applies a pure function to jobs in order.

    Returns
    -------
    tuple of Finding
        "moving", risks: one an overlap with `places` differing, the largest of them `area_fraction` of the
        first frame and at `x`, `y` there, px; `moved_places` of them surely moved, `near_places` shift as
        near things do. And one for a sky that moves, `sky_px` being by how much.
    """
    found = []
    above: list[OverlapDifference] = []
    cameras = cameras_of(checked)
    for field, difference in zip(fields, run(lambda f: compare_overlap(checked, f), fields), strict=True):
        things = [r for r in difference.regions if r.bottom < _SKY_RAD]
        if things:
            causes = [cause_of(r, field, cameras[field.a], cameras[field.b]) for r in things]
            found.append(_things(checked.frames, difference, things, causes))
        elif difference.regions:
            above.append(difference)
    return (*found, *_sky(checked, fields, fit, above))


def _things(
    frames: Sequence[Frame],
    difference: OverlapDifference,
    things: Sequence[Region],
    causes: Sequence[Cause],
) -> Finding:
    """One finding for an overlap: a thing that moved shows at two places of it, before and after."""
    a, b = difference.a, difference.b
    first = things[0]
    x, y = (first.box[0] + first.box[2]) / 2.0, (first.box[1] + first.box[3]) / 2.0
    cause = causes[0] if set(causes) == {causes[0]} else "either"
    where = "at one place" if len(things) == 1 else f"at {len(things)} places"
    words = (
        f"{_WHAT[cause]} {where} in the overlap of {pair_words(frames, a, b)}, the largest at column "
        f"{x:.0f}, row {y:.0f} of frame {a + 1}; seams go around it where they can; {_REMEDY[cause]}"
    )
    numbers = {
        "places": float(len(things)),
        "area_fraction": first.area,
        "x": x,
        "y": y,
        "excess": first.excess,
        "moved_places": float(causes.count("moved")),
        "near_places": float(causes.count("near")),
    }
    return Finding("moving", "risk", (a, b), words, numbers)


def _sky(
    checked: Checked,
    fields: Sequence[OverlapField],
    fit: TurnFit | None,
    above: Sequence[OverlapDifference],
) -> list[Finding]:
    """One finding for a sky that moves, by its details, or by what differs above the horizon."""
    cameras = cameras_of(checked)
    worst, concerned = 0.0, {i for d in above for i in (d.a, d.b)}
    all_left = np.concatenate(fit.left_px) if fit is not None and fit.left_px else np.empty(0)
    everywhere = float(np.nanmedian(all_left)) if np.isfinite(all_left).any() else 0.0
    together = True
    for field, left in zip(fields, fit.left_px if fit is not None else (), strict=False):
        if not len(field.points_a):
            continue
        said = np.isfinite(left)
        high = cameras[field.a].rays(field.points_a)[:, 1] < -math.sin(_CLOUD_RAD)
        shifts, others = left[said & high], left[said & ~high]
        if len(shifts) < _LEAST_CLOUDS:
            continue
        shift = float(np.median(shifts))
        below = float(np.median(others)) if len(others) >= _LEAST_CLOUDS else everywhere
        if shift > max(_CLOUD_PX * field.pixel, _BEYOND * below):
            concerned |= {field.a, field.b}
            worst = max(worst, shift)
            together &= _go_together(field, cameras[field.a], cameras[field.b], said & high)
    if not concerned:
        return []
    which = sorted(concerned)
    if worst > 0.0 and not together:
        words = (
            f"details above the horizon shift by up to {worst:.0f} px from frame to frame "
            f"({listed(checked.frames, which)}): drifting clouds, or branches and walls so near that they "
            "shift; seams there may show; to be safe, turn about the entrance pupil and shoot faster"
        )
    elif worst > 0.0:
        words = (
            f"the sky moves: clouds shift by up to {worst:.0f} px from frame to frame "
            f"({listed(checked.frames, which)}); seams there may show; shoot faster, rows with sky first"
        )
    else:
        words = (
            f"something above the horizon differs between neighbours ({listed(checked.frames, which)}): "
            "drifting clouds, branches in the wind or birds; seams through it may show"
        )
    return [Finding("moving", "risk", tuple(which), words, {"sky_px": worst, "overlaps": float(len(above))})]


def _go_together(field: OverlapField, a: Camera, b: Camera, which: NDArray[np.bool_]) -> bool:
    """Whether details shift by much the same, as clouds do; near things shift more the nearer they are."""
    rays = a.rays(field.points_a[which])
    moved = (b.rays(field.points_b[which]) - rays) * a.focal_px
    middle = np.median(moved, axis=0)
    apart = float(np.median(np.linalg.norm(moved - middle, axis=1)))
    return apart <= _TOGETHER * max(float(np.linalg.norm(middle)), 1e-9)
