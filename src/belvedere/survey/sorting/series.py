"""Which poses of one camera and lens make a series: by overlap first, then by rhythm and settings."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.rotation import matrix_from_vector, vector_from_matrix
from belvedere.survey.sorting.facts import Facts, is_plain
from belvedere.survey.sorting.poses import Connected
from belvedere.survey.sorting.rows import level_angles
from belvedere.survey.sorting.shot_again import covers_again

Placed = Literal["overlap", "sequence", "regularity"]

LONG_PAUSE_S = (
    3.0 * 3600.0
)  # frames that overlap after a longer pause are another series: the light is another
_SAME_PLACE = 0.3  # of a step, within which two poses are one
_REPEATED = 3  # poses repeated one after the other that make a second series
_FOREIGN = 3  # frames of another scene between two parts that make them two series
_SAME_EV = 0.3
_STRAIGHT = 0.8  # cosine between two turns that go the same way
_TAKEN_AGAIN = "taken again: its frames show the views of the series before"
_COVERED_AGAIN = "taken again: after a marker, it covers the directions of the series before"
_VACANT = 0.35  # of a step, within which a frame without overlap must fall on an empty place


@dataclass(frozen=True, slots=True)
class Draft:
    """A series before it has names.

    Parameters
    ----------
    poses : tuple of int
        Indices of poses, in the order shot.
    rotations : ndarray of shape (n, 3, 3)
        World to camera.
    placed : tuple
        How every pose was found to belong: by overlap, by its place between others in the sequence, or by
        the regularity of the whole.
    step : float
        Typical turn from pose to pose, rad.
    weakest : float
        Strength of the weakest joint needed.
    reasons : tuple of str
        What was decided on the way, in words.
    part : int
        First of the poses that hang together with these, of whichever series.
    """

    poses: tuple[int, ...]
    rotations: NDArray[np.float64]
    placed: tuple[Placed, ...]
    step: float
    weakest: float
    reasons: tuple[str, ...] = ()
    part: int = -1

    def rotation_of(self, pose: int) -> NDArray[np.float64]:
        return np.asarray(self.rotations[self.poses.index(pose)])

    def keeping(self, which: Sequence[int]) -> Draft:
        """The series with only some of its poses, by their places in it."""
        return replace(
            self,
            poses=tuple(self.poses[k] for k in which),
            rotations=self.rotations[list(which)],
            placed=tuple(self.placed[k] for k in which),
        )


@dataclass(frozen=True, slots=True)
class Split:
    """What became of poses that hang together: series, and poses that repeat one of them."""

    drafts: tuple[Draft, ...]
    repeats: tuple[tuple[int, int], ...]
    """(pose that is set apart, pose that it repeats)."""


def split_connected(
    part: Connected, facts: Sequence[Facts], foreign: Sequence[int], between: Sequence[int], field: float
) -> Split:
    """Split poses that hang together into series.

    A new series begins where three or more poses in a row repeat poses of the series so far (or two that are
    a third of it), where rows after a marker cover the directions of earlier ones once more, where the frames
    are held the other way from here on, after a pause of more than three hours, and where frames of another
    scene lie between. A single pose that repeats another is set apart.

    Parameters
    ----------
    part : Connected
        The poses.
    facts : sequence of Facts
        By pose.
    foreign : sequence of int
        For every pose of the card's stretch: how many frames of other scenes were shot before it.
    between : sequence of int
        For every pose of the stretch: how many markers were shot before it.
    field : float
        Angle of view across the frames' short side, rad.
    """
    poses, rotations = part.poses, part.rotations
    yaw, pitch = level_angles(rotations)
    marked = [between[p] for p in poses]
    twin = [_earlier_twins(k, rotations, part.step) for k in range(len(poses))]
    drafts: list[list[int]] = [[]]
    why: dict[int, str] = {}
    repeats: list[tuple[int, int]] = []
    k = 0
    while k < len(poses):
        current = drafts[-1]
        if current and _begins_anew(current[-1], k, poses, facts, foreign):
            drafts.append([])
            continue
        if current and marked[current[-1]] != marked[k]:
            rows = [i for i in range(k, len(poses)) if marked[i] == marked[k]]
            if covers_again(current, rows, yaw, pitch, part.step, field):
                why[len(drafts)] = _COVERED_AGAIN
                drafts.append([])
                continue
        run = _repeat_run(k, current, twin)
        if run >= _REPEATED or (run == 2 and run >= 0.3 * len(current)):
            why[len(drafts)] = _TAKEN_AGAIN
            drafts.append([])
            drafts[-1].extend(range(k, k + run))
            k += run
            continue
        for j in range(k, k + max(run, 1)):
            other = next((i for i in current if i in twin[j]), None)
            if other is None:
                current.append(j)
            elif _is_odd(other, j, current, poses, facts, rotations, part.step):
                repeats.append((poses[other], poses[j]))
                current[current.index(other)] = j
                current.sort()
            else:
                repeats.append((poses[j], poses[other]))
        k += max(run, 1)
    return Split(
        tuple(
            Draft(
                tuple(poses[i] for i in own),
                rotations[own],
                all_placed("overlap", len(own)),
                part.step,
                part.weakest,
                (why[n],) if n in why else (),
                part=part.poses[0],
            )
            for n, own in enumerate(drafts)
            if own
        ),
        tuple(repeats),
    )


def all_placed(how: Placed, count: int) -> tuple[Placed, ...]:
    """The same placing for every pose."""
    return (how,) * count


def _earlier_twins(k: int, rotations: NDArray[np.float64], step: float) -> set[int]:
    cosines = rotations[:k, 2] @ rotations[k, 2]
    return {int(i) for i in np.flatnonzero(cosines > np.cos(_SAME_PLACE * step))} if k else set()


def _repeat_run(k: int, current: Sequence[int], twin: Sequence[set[int]]) -> int:
    run = 0
    while k + run < len(twin) and twin[k + run] & set(current):
        run += 1
    return run


def _begins_anew(
    before: int, k: int, poses: Sequence[int], facts: Sequence[Facts], foreign: Sequence[int]
) -> bool:
    a, b = facts[poses[before]], facts[poses[k]]
    if a.seconds is not None and b.seconds is not None and b.seconds - a.seconds > LONG_PAUSE_S:
        return True
    if foreign[poses[k]] - foreign[poses[before]] >= _FOREIGN:
        return True
    return a.held != b.held and all(facts[p].held == b.held for p in poses[k:]) and len(poses) - k >= 2 \
        and all(facts[p].held == a.held for p in poses[:k]) and k >= 2  # fmt: skip


def _is_odd(
    first: int,
    second: int,
    current: Sequence[int],
    poses: Sequence[int],
    facts: Sequence[Facts],
    rotations: NDArray[np.float64],
    step: float,
) -> bool:
    """Whether the first of two shots of one pose is the odd one: by its exposure, or as it stands alone."""
    told = [e for i in [*current, second] if (e := facts[poses[i]].ev) is not None]
    a, b = facts[poses[first]].ev, facts[poses[second]].ev
    if told and a is not None and b is not None and abs(a - b) > _SAME_EV:
        usual = float(np.median(told))
        return abs(a - usual) > abs(b - usual)
    outside = second == first + 1 or not _steps_on(first, rotations, step)
    return first == current[0] and outside


def _steps_on(k: int, rotations: NDArray[np.float64], step: float) -> bool:
    """Whether the pose shot next lies about one step away."""
    if k + 1 >= len(rotations):
        return False
    cosine = float(rotations[k, 2] @ rotations[k + 1, 2])
    return bool(np.arccos(np.clip(cosine, -1.0, 1.0)) < 1.5 * step)


def interval(poses: Sequence[int], facts: Sequence[Facts]) -> float | None:
    """Median time from pose to pose, s; None where it cannot be told."""
    times = [facts[p].seconds for p in poses]
    gaps = [b - a for a, b in itertools.pairwise(times) if a is not None and b is not None]
    return float(np.median(gaps)) if gaps else None


def fill_between(draft: Draft, loose: Sequence[int], facts: Sequence[Facts]) -> tuple[Draft, list[int]]:
    """Take in poses without overlap that were shot between two of a series and fall on the place left free.

    They must be plain, as sky or calm water is, and held and exposed like the series. A frame full of detail
    that matches nothing shows something else, whatever place there is.

    Returns
    -------
    draft : Draft
        With the poses that were taken in.
    rest : list of int
        Those that were not.
    """
    rest: list[int] = []
    for group in _runs(sorted(loose)):
        before = [p for p in draft.poses if p < group[0]]
        after = [p for p in draft.poses if p > group[-1]]
        if not before or not after or after[0] - before[-1] != len(group) + 1:
            rest += group
            continue
        settled = all(is_plain(facts[p]) and alike(facts[before[-1]], facts[p]) for p in group)
        taken = _on_the_way(draft, before[-1], after[0], group) if settled else None
        if taken is None:
            rest += group
        else:
            draft = _inserted(draft, group, taken, "sequence")
    return draft, rest


def stands_for_a_frame(draft: Draft, pose: int) -> bool:
    """Whether a pose that is in no series was shot within a row of this one, in the place of a frame."""
    before = [p for p in draft.poses if p < pose]
    after = [p for p in draft.poses if p > pose]
    if not before or not after or after[0] - before[-1] != 2:
        return False
    return _on_the_way(draft, before[-1], after[0], [pose]) is not None


def alike(a: Facts, b: Facts) -> bool:
    """Whether two frames were held and exposed alike, as far as is told."""
    return a.held == b.held and (a.ev is None or b.ev is None or abs(a.ev - b.ev) <= _SAME_EV)


def _on_the_way(draft: Draft, a: int, b: int, group: Sequence[int]) -> NDArray[np.float64] | None:
    """Rotations of poses between two others if as many steps lie between; None if not."""
    first, last = draft.rotation_of(a), draft.rotation_of(b)
    turn = vector_from_matrix(last @ first.T)
    angle = float(np.arccos(np.clip(first[2] @ last[2], -1.0, 1.0)))
    steps = len(group) + 1
    if abs(angle / steps - draft.step) > _VACANT * draft.step or not _straight_on(draft, a, b, turn):
        return None
    return np.stack([matrix_from_vector(turn * (k + 1) / steps) @ first for k in range(len(group))])


def _straight_on(draft: Draft, a: int, b: int, turn: NDArray[np.float64]) -> bool:
    """Whether a turn goes on like the turns shot before and after it, so that no row ends between."""
    ways = []
    for first, second in ((draft.poses.index(a) - 1, draft.poses.index(a)),
                          (draft.poses.index(b), draft.poses.index(b) + 1)):  # fmt: skip
        if first >= 0 and second < len(draft.poses):
            own = draft.rotations[first].T @ vector_from_matrix(
                draft.rotations[second] @ draft.rotations[first].T
            )
            whole = draft.rotation_of(a).T @ turn
            ways.append(float(own @ whole / max(np.linalg.norm(own) * np.linalg.norm(whole), 1e-12)))
    return not ways or max(ways) > _STRAIGHT


def _inserted(draft: Draft, poses: Sequence[int], rotations: NDArray[np.float64], how: Placed) -> Draft:
    all_poses = [*draft.poses, *poses]
    order = sorted(range(len(all_poses)), key=lambda k: all_poses[k])
    placed: list[Placed] = [*draft.placed, *([how] * len(poses))]
    every = np.concatenate([draft.rotations, rotations])
    return replace(
        draft,
        poses=tuple(all_poses[k] for k in order),
        rotations=every[order],
        placed=tuple(placed[k] for k in order),
    )


def _runs(poses: Sequence[int]) -> list[list[int]]:
    """Runs of poses shot one after the other."""
    out: list[list[int]] = []
    for p in poses:
        if out and p == out[-1][-1] + 1:
            out[-1].append(p)
        else:
            out.append([p])
    return out
