"""Parts of a row that do not overlap, joined where sequence, settings, rhythm and turns make them one row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.rotation import matrix_from_vector, vector_from_matrix
from belvedere.survey.sorting.facts import Facts, is_plain
from belvedere.survey.sorting.series import Draft, alike, all_placed, interval

# What is plain to see. Common practice, no published source.
_HASTE = 2.0  # gap between parts without overlap, in intervals of the set, up to which one frame is missing
_STEADY = 1.3  # the same, where frames were shot between
_PLAIN_MOST = 3  # plain frames between two parts
_LEAST_TURNS = 3  # known within two parts that a frame of something else parts
_EVEN = 0.1  # of a turn: how far the turns may scatter, and those of two parts differ
_SAME_PITCH = 0.25  # of the field: how much higher or lower the other part may look by its own turns
_PITCH_KNOWN = 0.12  # of the field: how well that must be known
_SAME_ROLL = 0.2  # rad, by which the turns of two parts may lean against each other
_GOES_ON = 1.5  # turns, up to which a pose is the next

_SHOT_ON = "two parts without overlap, shot straight on with the same settings"
_PARTED = (
    "two parts without overlap: the frame shot between them shows something else, and its place is missing; "
    "one row by its settings, its rhythm, its even turns and its tilt"
)


def join_by_rhythm(
    drafts: Sequence[Draft], facts: Sequence[Facts], between: Sequence[int], field: float
) -> list[Draft]:
    """Join series shot straight on with the same settings.

    As if one frame between them were missing; with frames shot between them that are too plain to match; or
    with one frame of something else in the place of a frame, where both parts are plainly one row.

    Parameters
    ----------
    between : sequence of int
        By pose: how many markers were shot before it; a marker between keeps series apart.
    field : float
        Angle of view across the frames' short side, rad.
    """
    out: list[Draft] = []
    for draft in sorted(drafts, key=lambda d: d.poses[0]):
        steps, why = _steps_between(out[-1], draft, facts, between, field) if out else (0, "")
        if steps:
            out[-1] = _with_gap(out[-1], draft, steps, why)
        else:
            out.append(draft)
    return out


def _steps_between(
    a: Draft, b: Draft, facts: Sequence[Facts], between: Sequence[int], field: float
) -> tuple[int, str]:
    """Turns from the last pose of one series to the first of the next if the two are one, and why; else 0."""
    last, first = facts[a.poses[-1]], facts[b.poses[0]]
    inside = range(a.poses[-1] + 1, b.poses[0])
    if a.part == b.part or len(inside) > _PLAIN_MOST or between[b.poses[0]] != between[a.poses[-1]]:
        return 0, ""
    if not alike(last, first):
        return 0, ""
    rhythm = interval((*a.poses, *b.poses), facts)
    if last.seconds is None or first.seconds is None or rhythm is None or b.poses[0] <= a.poses[-1]:
        return 0, ""
    longest = _HASTE * rhythm if not inside else _STEADY * (len(inside) + 1) * rhythm
    if first.seconds - last.seconds > longest + 1.0:
        return 0, ""
    if all(is_plain(facts[p]) and alike(last, facts[p]) for p in inside):
        return (len(inside) + 1 if inside else 2), _SHOT_ON
    if len(inside) == 1 and not is_plain(last) and not is_plain(first) and is_one_row(a, b, field):
        return 2, _PARTED
    return 0, ""


def is_one_row(a: Draft, b: Draft, field: float) -> bool:
    """Whether two parts that meet nowhere are plainly one row, by the turns within each.

    A camera turned about a fixed axis at one tilt sees that axis in the same direction in every frame. Where
    the rotation vectors from pose to pose, in the cameras' own axes, agree between the parts, both were
    turned the same way round, in the same steps, and looked as high. There must be room for both in a turn.

    Parameters
    ----------
    field : float
        Angle of view across the frames' short side, rad.
    """
    one, other = _turns_of(a), _turns_of(b)
    if one is None or other is None:
        return False
    counts = len(one), len(other)
    if sum(counts) < _LEAST_TURNS:
        return False
    first, second = one.mean(axis=0), other.mean(axis=0)
    left = np.concatenate([one - first, other - second])
    scatter = float(np.sqrt(np.sum(left**2) / (3.0 * (sum(counts) - 2))))
    step, its = float(np.linalg.norm(first)), float(np.linalg.norm(second))
    if scatter > _EVEN * step or abs(its - step) > _EVEN * step or float(first @ second) <= 0.0:
        return False
    if (sum(counts) + 2) * step > 2.0 * np.pi:
        return False
    pitch_known = scatter / step * float(np.sqrt(sum(1.0 / n for n in counts)))
    higher = float(np.arctan2(second[2], abs(second[1])) - np.arctan2(first[2], abs(first[1])))
    leaning = float(np.arctan2(second[0], abs(second[1])) - np.arctan2(first[0], abs(first[1])))
    known = pitch_known < _PITCH_KNOWN * field
    return known and abs(higher) < _SAME_PITCH * field and abs(leaning) < _SAME_ROLL


def _turns_of(draft: Draft) -> NDArray[np.float64] | None:
    """Turns from pose to pose, rotation vectors (n, 3) in the cameras' axes; None unless one row one way."""
    pairs = zip(draft.rotations, draft.rotations[1:], strict=False)
    every = np.array([vector_from_matrix(after @ before.T) for before, after in pairs])
    sizes = np.linalg.norm(every, axis=1)
    single = every[sizes < _GOES_ON * float(np.median(sizes))]
    mean = single.mean(axis=0)
    along = every @ mean / np.maximum(sizes * np.linalg.norm(mean), 1e-12)
    sideways = abs(mean[1]) > max(abs(mean[0]), abs(mean[2]))
    return single if sideways and float(along.min()) > 0.8 else None


def _with_gap(a: Draft, b: Draft, steps: int, why: str) -> Draft:
    """Two parts as one row with places left free between them, at the turn of the first part's end."""
    turn = vector_from_matrix(a.rotations[-1] @ a.rotations[-2].T)
    if why == _PARTED and (known := _turns_of(a)) is not None:
        turn = known.mean(axis=0)
    start = matrix_from_vector(steps * turn) @ a.rotations[-1]
    moved = b.rotations @ (b.rotations[0].T @ start)
    return replace(
        a,
        poses=(*a.poses, *b.poses),
        rotations=np.concatenate([a.rotations, moved]),
        placed=(*a.placed, *all_placed("sequence", len(b.poses))),
        weakest=min(a.weakest, b.weakest),
        reasons=(*a.reasons, *b.reasons, why),
    )
