"""Rows that cannot be matched, such as plain sky or moving water, taken in where a series asks for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from belvedere.geometry.rotation import matrix_from_vector
from belvedere.survey.sorting.facts import Facts, is_plain
from belvedere.survey.sorting.rows import level_angles
from belvedere.survey.sorting.series import LONG_PAUSE_S, Draft, alike, all_placed, interval

_ROW_STEP = 1.4  # of the turn from frame to frame, where no other rows tell; only for the order of the rows
_ONE_STEP = 1.5  # of a turn, up to which a pose is the next
_RHYTHM = 2.0  # how much slower a plain row may be shot than the series


def add_plain_rows(
    drafts: Sequence[Draft], loose: Sequence[int], facts: Sequence[Facts]
) -> tuple[list[Draft], list[int]]:
    """Take runs of frames that overlap nothing into the series next to them, as rows of their own.

    A run belongs to a series where it was shot just before or after it with the same settings, held the same
    way, in its rhythm, and has as many frames as one of its rows was shot with. Plain frames are sky and come
    on top, others are water or the like and come below.

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
            out[home] = _with_row(out[home], run, sky=all(is_plain(facts[p]) for p in run))
    return out, rest


def _runs(loose: Sequence[int], facts: Sequence[Facts]) -> list[list[int]]:
    out: list[list[int]] = []
    for p in sorted(loose):
        if out and p == out[-1][-1] + 1:
            out[-1].append(p)
        else:
            out.append([p])
    return out


def _belongs(run: Sequence[int], draft: Draft, facts: Sequence[Facts]) -> bool:
    near = draft.poses[-1] if run[0] > draft.poses[-1] else draft.poses[0]
    if run[0] - draft.poses[-1] != 1 and draft.poses[0] - run[-1] != 1:
        return False
    a, b = facts[near], facts[run[0]]
    if not all(alike(a, facts[p]) for p in run):
        return False
    if a.seconds is not None and b.seconds is not None and abs(b.seconds - a.seconds) > LONG_PAUSE_S:
        return False
    own, other = interval(run, facts), interval(draft.poses, facts)
    if own is None or other is None:
        if not all(is_plain(facts[p]) for p in run):
            return False
    elif not own / _RHYTHM <= other <= own * _RHYTHM:
        return False
    return len(run) in row_lengths(draft)


def row_lengths(draft: Draft) -> set[int]:
    """Numbers of frames its rows were shot with."""
    return {len(run) for run in _rows_shot(draft)}


def _rows_shot(draft: Draft) -> list[range]:
    """Runs of poses, by their places in the series, that go on sideways step by step."""
    axes, before = draft.rotations[:, 2], draft.rotations[:-1]
    angles = np.arccos(np.clip(np.sum(axes[:-1] * axes[1:], axis=1), -1.0, 1.0))
    across = np.abs(np.sum(axes[1:] * before[:, 0], axis=1))
    up = np.abs(np.sum(axes[1:] * before[:, 1], axis=1))
    out, start = [], 0
    for k, goes_on in enumerate((angles < _ONE_STEP * draft.step) & (across > up), start=1):
        if not goes_on:
            out.append(range(start, k))
            start = k
    return [*out, range(start, len(axes))]


def _with_row(draft: Draft, run: Sequence[int], *, sky: bool) -> Draft:
    """A series with a row more, above or below all others, shot like the row next to it in time."""
    yaw, pitch = level_angles(draft.rotations)
    before = run[0] < draft.poses[0]
    rows = _rows_shot(draft)
    full = [row for row in rows if len(row) == len(run)]
    height = [float(np.mean(pitch[list(row)])) for row in full]
    model = full[int(np.argmax(height) if sky else np.argmin(height))]
    ways = [float(yaw[row[-1]] - yaw[row[0]]) for row in (full if before else full[::-1])]
    to_and_fro = len(ways) > 1 and ways[0] * ways[1] < 0.0
    wanted = -ways[0] if to_and_fro else ways[0]
    places = list(model) if (yaw[model[-1]] - yaw[model[0]]) * wanted >= 0.0 else list(reversed(model))
    apart = np.diff(np.sort(height))
    apart = apart[apart > 0.5 * draft.step]
    rise = float(apart.min()) if len(apart) else _ROW_STEP * draft.step
    turn = matrix_from_vector(np.array([-rise if sky else rise, 0.0, 0.0]))
    moved = np.stack([turn @ draft.rotations[k] for k in places])
    how = all_placed("regularity", len(run))
    where = "without detail" if sky else "that match nothing"
    said = (
        f"a row of {len(run)} frames {where}, shot in the same rhythm and with the same settings, "
        f"was put {'on top' if sky else 'below'}"
    )
    return replace(
        draft,
        poses=(*run, *draft.poses) if before else (*draft.poses, *run),
        rotations=np.concatenate([moved, draft.rotations] if before else [draft.rotations, moved]),
        placed=(*how, *draft.placed) if before else (*draft.placed, *how),
        reasons=(*draft.reasons, said),
    )
