"""One stretch of frames of one camera and lens: its poses, its series, and what is left over."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from belvedere.survey.sorting.brackets import find_brackets
from belvedere.survey.sorting.facts import Facts
from belvedere.survey.sorting.joints import Joint
from belvedere.survey.sorting.plain_rows import add_plain_rows
from belvedere.survey.sorting.poses import connect, link_poses
from belvedere.survey.sorting.row_parts import join_by_rhythm
from belvedere.survey.sorting.series import Draft, fill_between, split_connected

_INTERRUPTED = 2  # frames of other lenses in a row that do not end a stretch: strays and the like


@dataclass(frozen=True, slots=True)
class Grouped:
    """What a stretch holds.

    Parameters
    ----------
    poses : tuple of tuple of int
        Shots of every pose, in the order shot; more than one where exposures were stepped.
    drafts : tuple of Draft
        Series, by indices of poses.
    repeats : tuple of (pose, pose)
        A pose set apart, and the pose it repeats.
    loose : tuple of int
        Poses in no series.
    """

    poses: tuple[tuple[int, ...], ...]
    drafts: tuple[Draft, ...]
    repeats: tuple[tuple[int, int], ...]
    loose: tuple[int, ...]


def stretches(order: Sequence[int], facts: Sequence[Facts]) -> list[tuple[int, ...]]:
    """Cut a body's sequence into stretches of one lens, focal length and size.

    A stretch may be interrupted by at most two frames in a row of another kind.
    """
    out: list[list[int]] = []
    latest: dict[int, tuple[int, int]] = {}  # kin -> (index of its stretch, place of its last frame)
    for place, i in enumerate(order):
        kin = facts[i].kin
        if kin in latest and place - latest[kin][1] <= _INTERRUPTED + 1:
            out[latest[kin][0]].append(i)
        else:
            out.append([i])
            latest[kin] = (len(out) - 1, place)
        latest[kin] = (latest[kin][0], place)
    return [tuple(s) for s in out]


def group_stretch(
    order: Sequence[int],
    facts: Sequence[Facts],
    joints: Sequence[Joint],
    markers: Collection[int],
    field: float,
) -> Grouped:
    """Group the frames of a stretch.

    Parameters
    ----------
    order : sequence of int
        Shots of the stretch in the order shot, markers included.
    facts : sequence of Facts
        By shot.
    joints : sequence of Joint
        Verified overlaps between shots.
    markers : collection of int
        Shots that are marker frames.
    field : float
        Angle of view across the frames' short side, rad.
    """
    scene = [i for i in order if i not in markers]
    known = set(scene)
    joints = [j for j in joints if j.a in known and j.b in known]
    poses = _poses(scene, facts, joints)
    of_pose = [facts[p[0]] for p in poses]
    links = link_poses(poses, joints)
    parts = connect(len(poses), links, field)
    part_of = {p: k for k, part in enumerate(parts) for p in part.poses}
    drafts: list[Draft] = []
    repeats: list[tuple[int, int]] = []
    between = _markers_before(order, poses, markers)
    for k, part in enumerate(parts):
        foreign = _count_before(len(poses), [p for p, own in part_of.items() if own != k])
        split = split_connected(part, of_pose, foreign, between, field)
        drafts += split.drafts
        repeats += split.repeats
    drafts = join_by_rhythm([d for d in drafts if len(d.poses) > 1], of_pose, between, field)
    taken = {p for d in drafts for p in d.poses} | {p for p, _ in repeats}
    loose = [p for p in range(len(poses)) if p not in taken]
    filled = []
    for draft in drafts:
        draft, loose = fill_between(draft, loose, of_pose)
        filled.append(draft)
    whole, loose = add_plain_rows(filled, loose, of_pose)
    whole, odd = _one_count(whole, poses)
    return Grouped(
        tuple(poses),
        tuple(sorted(whole, key=lambda d: d.poses[0])),
        tuple(sorted(repeats)),
        tuple(sorted([*loose, *odd])),
    )


def stepped_poses(
    scene: Sequence[int], facts: Sequence[Facts], joints: Sequence[Joint]
) -> list[tuple[int, ...]]:
    """Poses shot with stepped exposures, among frames in the order shot."""
    overlap = {(j.a, j.b): j.overlap for j in joints}
    ev = {i: facts[i].ev for i in scene}
    seconds = {i: facts[i].seconds for i in scene}
    return find_brackets(scene, ev, seconds, overlap)


def _poses(scene: Sequence[int], facts: Sequence[Facts], joints: Sequence[Joint]) -> list[tuple[int, ...]]:
    brackets = stepped_poses(scene, facts, joints)
    in_bracket = {i for pose in brackets for i in pose}
    place = {i: k for k, i in enumerate(scene)}
    return sorted([*brackets, *((i,) for i in scene if i not in in_bracket)], key=lambda p: place[p[0]])


def _one_count(drafts: Sequence[Draft], poses: Sequence[tuple[int, ...]]) -> tuple[list[Draft], list[int]]:
    """Series in which every pose has the same number of exposures; poses with fewer are set apart."""
    out, odd = [], []
    for draft in drafts:
        counts = [len(poses[p]) for p in draft.poses]
        usual = max(set(counts), key=lambda c: (counts.count(c), c))
        keep = [k for k, c in enumerate(counts) if c == usual]
        odd += [draft.poses[k] for k, c in enumerate(counts) if c != usual]
        out.append(draft.keeping(keep))
    return out, odd


def _count_before(count: int, members: Sequence[int]) -> list[int]:
    own = set(members)
    out, seen = [], 0
    for p in range(count):
        out.append(seen)
        seen += p in own
    return out


def _markers_before(
    order: Sequence[int], poses: Sequence[tuple[int, ...]], markers: Collection[int]
) -> list[int]:
    first = {pose[0]: k for k, pose in enumerate(poses)}
    out, seen = [0] * len(poses), 0
    for i in order:
        if i in markers:
            seen += 1
        elif i in first:
            out[first[i]] = seen
    return out
