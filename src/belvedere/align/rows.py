"""Rows and columns of a block, from where its frames looked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import yaw_pitch_roll


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
