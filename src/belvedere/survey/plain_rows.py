"""Rows that show next to nothing to match, such as plain sky, taken in where a series asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from belvedere.geometry.rotation import matrix_from_vector
from belvedere.survey.facts import Facts, is_plain
from belvedere.survey.series import LONG_PAUSE_S, Draft, all_placed, interval

_SAME_EV = 0.3
_ROW_RISE = 0.7  # of a frame's height, where no other rows tell; only for the drawing of the rows
_RHYTHM = 2.0  # how much slower a plain row may be shot than the series


def add_plain_rows(
    drafts: Sequence[Draft], loose: Sequence[int], facts: Sequence[Facts]
) -> tuple[list[Draft], list[int]]:
    """Take runs of plain frames into the series next to them, as rows of their own.

    A run belongs to a series where it was shot just before or after it with the same settings, held the same
    way, in its rhythm, and has as many frames as one of its rows was shot with.

    Returns
    -------
    drafts, rest
        The series with such rows, and poses that are still in none.
    """
    out = list(drafts)
    rest: list[int] = []
    for run in _runs(loose, facts):
        home = next((k for k, d in enumerate(out) if len(run) > 1 and _belongs(run, d, facts)), None)
        if home is None:
            rest += run
        else:
            out[home] = _with_row(out[home], run)
    return out, rest


def _runs(loose: Sequence[int], facts: Sequence[Facts]) -> list[list[int]]:
    out: list[list[int]] = []
    for p in sorted(loose):
        if out and p == out[-1][-1] + 1 and is_plain(facts[p]) and is_plain(facts[out[-1][-1]]):
            out[-1].append(p)
        else:
            out.append([p])
    return out


def _belongs(run: Sequence[int], draft: Draft, facts: Sequence[Facts]) -> bool:
    near = draft.poses[-1] if run[0] > draft.poses[-1] else draft.poses[0]
    if run[0] - draft.poses[-1] != 1 and draft.poses[0] - run[-1] != 1:
        return False
    a, b = facts[near], facts[run[0]]
    if not all(is_plain(facts[p]) for p in run) or a.held != b.held:
        return False
    if a.ev is not None and b.ev is not None and abs(a.ev - b.ev) > _SAME_EV:
        return False
    if a.seconds is not None and b.seconds is not None and abs(b.seconds - a.seconds) > LONG_PAUSE_S:
        return False
    own, other = interval(run, facts), interval(draft.poses, facts)
    if own is not None and other is not None and not own / _RHYTHM <= other <= own * _RHYTHM:
        return False
    return len(run) in row_lengths(draft)


def row_lengths(draft: Draft) -> set[int]:
    """Numbers of frames its rows were shot with: runs of poses that go on sideways, step by step."""
    axes = draft.rotations[:, 2]
    angles = np.arccos(np.clip(np.sum(axes[:-1] * axes[1:], axis=1), -1.0, 1.0))
    right = draft.rotations[:-1, 0]
    across = np.abs(np.sum(axes[1:] * right, axis=1)) > np.abs(
        np.sum(axes[1:] * draft.rotations[:-1, 1], axis=1)
    )
    lengths, count = set(), 1
    for one_step, sideways in zip(angles < 1.5 * draft.step, across, strict=True):
        if one_step and sideways:
            count += 1
        else:
            lengths.add(count)
            count = 1
    lengths.add(count)
    return lengths


def _with_row(draft: Draft, run: Sequence[int]) -> Draft:
    """A series with a row of sky above its nearest row, shot like it."""
    before = run[0] < draft.poses[0]
    count = len(run)
    nearest = draft.rotations[:count] if before else draft.rotations[-count:]
    other = draft.rotations[count : 2 * count] if before else draft.rotations[-2 * count : -count]
    if _runs_back(nearest, other):
        nearest = nearest[::-1]
    lifted = np.stack([_lifted(r, draft, nearest, other) for r in nearest])
    order = [*run, *draft.poses] if before else [*draft.poses, *run]
    parts = [lifted, draft.rotations] if before else [draft.rotations, lifted]
    how = all_placed("regularity", count)
    return replace(
        draft,
        poses=tuple(order),
        rotations=np.concatenate(parts),
        placed=(*how, *draft.placed) if before else (*draft.placed, *how),
        reasons=(
            *draft.reasons,
            f"a row of {count} frames without detail, shot in the same rhythm and with the same settings, "
            "was put on top",
        ),
    )


def _runs_back(nearest: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether rows were shot to and fro: the row next to the nearest ran the other way."""
    if len(other) < 2 or len(other) != len(nearest):
        return False
    way = nearest[-1, 2] - nearest[0, 2]
    return bool(way @ (other[-1, 2] - other[0, 2]) < 0.0)


def _lifted(
    rotation: NDArray[np.float64], draft: Draft, nearest: NDArray[np.float64], other: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A rotation that looks a row higher."""
    rise = draft.step if len(other) != len(nearest) else _angle(nearest[0], other[0], other[-1])
    return np.asarray(matrix_from_vector(np.array([-1.0, 0.0, 0.0]) * rise) @ rotation)


def _angle(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]) -> float:
    return float(np.arccos(np.clip(max(a[2] @ b[2], a[2] @ c[2]), -1.0, 1.0)))
