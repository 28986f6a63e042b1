"""Rows and columns of a block, from where its frames looked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import yaw_pitch_roll

# Common practice, no published source.
_NEAR_STEP = 0.3  # of a step, by which a wider turn may miss a whole number of steps
_MOST_OPEN = 6.0  # steps of a turn that still count as frames missed
_ONE_STEP = 0.05  # by which the rows' steps may differ, relative
_NEARLY_ROUND = np.radians(300.0)  # rows that go farther round begin where they like


def with_gaps(
    places: Sequence[tuple[int, int]], gaps: Sequence[tuple[int, int, int]]
) -> list[tuple[int, int]]:
    """Rows and columns with the places left empty that frames are missing at.

    Parameters
    ----------
    places : sequence of (row, column)
        As `rows_and_columns` gives them.
    gaps : sequence of (left, right, missing)
        Frames (places in the sequence) either side of a gap, and how many are missing between them.
    """
    out = list(places)
    for left, right, missing in gaps:
        (row, column), (same, following) = out[left], out[right]
        if same != row or following != column + 1:
            continue  # the row is counted from this gap on
        out = [(r, c + missing) if r == row and c >= following else (r, c) for r, c in out]
    return out


def with_columns_open(places: Sequence[tuple[int, int]], cameras: Sequence[Camera]) -> list[tuple[int, int]]:
    """Rows and columns with the columns left empty that no frame looks at, counted alike in all rows.

    Within a row a turn of two steps leaves one open. Where all rows are turned in one step, a row that begins
    a step further right begins a column further right.

    Parameters
    ----------
    places : sequence of (row, column)
        As `rows_and_columns` gives them.
    cameras : sequence of Camera
        Of the same frames.
    """
    yaw = np.array([yaw_pitch_roll(c.rotation.T)[0] for c in cameras])
    members: dict[int, list[int]] = {}
    for k in sorted(range(len(places)), key=lambda k: places[k]):
        members.setdefault(places[k][0], []).append(k)
    turns = {r: np.diff(np.unwrap(yaw[own])) for r, own in members.items()}
    every = np.concatenate(list(turns.values())) if turns else np.empty(0)
    if len(every) < 2:
        return list(places)
    steps = {r: float(np.median(t if len(t) > 2 else every)) for r, t in turns.items()}
    columns = {}
    for r, t in turns.items():
        ratio = t / max(steps[r], 1e-9)
        whole = np.rint(ratio)
        open_ = (np.abs(ratio - whole) < _NEAR_STEP) & (whole > 1.0) & (whole < _MOST_OPEN)
        columns[r] = np.concatenate([[0.0], np.cumsum(np.where(open_, whole, 1.0))]).astype(int)
    even = max(steps.values()) < (1.0 + _ONE_STEP) * min(steps.values())
    if even and all(float(t.sum()) < _NEARLY_ROUND for t in turns.values()):
        begin = np.array([yaw[own[0]] for own in members.values()])
        begin = (begin - begin[0] + np.pi) % (2.0 * np.pi) - np.pi
        first = np.rint((begin - begin.min()) / float(np.median(every))).astype(int)
    else:
        first = np.zeros(len(members), dtype=int)
    out = list(places)
    for shift, (r, own) in zip(first.tolist(), members.items(), strict=True):
        for k, c in zip(own, columns[r].tolist(), strict=True):
            out[k] = (r, c + shift)
    return out


def rows_and_columns(cameras: Sequence[Camera]) -> list[tuple[int, int]]:
    """Row (0 at the top) and column (0 at the left) of every camera.

    Frames whose pitches lie within 0.4 of a frame's height of each other in a chain form a row; in a row the
    columns count from the left, starting at the widest gap of the turn.
    """
    if not cameras:
        return []
    angles = np.array([yaw_pitch_roll(c.rotation.T)[:2] for c in cameras])
    heights = np.array([2.0 * np.arctan(c.height / 2.0 / c.focal_px) for c in cameras])
    by_pitch = np.argsort(-angles[:, 1], kind="stable")
    row_of = np.zeros(len(cameras), dtype=int)
    row, anchor = 0, angles[by_pitch[0], 1]
    for k in by_pitch:
        if anchor - angles[k, 1] > 0.4 * heights[k]:
            row += 1
            anchor = angles[k, 1]
        row_of[k] = row
    out = [(0, 0)] * len(cameras)
    for r in range(row + 1):
        members = np.flatnonzero(row_of == r)
        yaw = angles[members, 0] % (2.0 * np.pi)
        order = np.argsort(yaw, kind="stable")
        gaps = np.diff(np.append(yaw[order], yaw[order[0]] + 2.0 * np.pi))
        start = (int(np.argmax(gaps)) + 1) % len(order)
        for column, k in enumerate(np.roll(order, -start)):
            out[members[k]] = (r, column)
    return out
