"""The engine room of `seams.owners`: from coarse labels to the owner of every plate pixel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from belvedere.compose.footprint import PlateRect, footprint, meets
from belvedere.compose.sample import plate_columns, plate_rows
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate

MARGIN_PX = 4.0
"""px of a frame inside its border where another frame with more room is shown instead."""

_OPEN = -2  # not decided by the labels around
_FAR = -1e30  # room of a position the lens does not show at all


def own_pixels(
    labels_at: Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.int16]],
    shape: tuple[int, int],
    step: int,
    plate: Plate,
    cameras: Sequence[Camera],
    x0: int,
    y0: int,
    width: int,
    height: int,
    numbers: NDArray[np.int16] | None = None,
) -> NDArray[np.int16]:
    """See `seams.owners`; the labels of a grid of this shape are asked by rows and columns."""
    i0, j0 = x0 // step, y0 // step
    grid_w = (x0 + width - 1) // step + 2 - i0
    grid_h = (y0 + height - 1) // step + 2 - j0
    i = np.arange(i0, i0 + grid_w)
    i = i % shape[1] if plate.wraps else np.clip(i, 0, shape[1] - 1)
    j = np.clip(np.arange(j0, j0 + grid_h), 0, shape[0] - 1)
    near = labels_at(j, i)
    names = np.unique(near[near >= 0])
    # pixels and nodes in one run each, from the same rule of position
    columns, rows = plate_columns(plate, 1, x0, width), plate_rows(plate, 1, y0, height)
    node_columns = plate_columns(plate, step, i0, grid_w)
    node_rows = plate_rows(plate, step, j0, grid_h)
    out = np.empty((height, width), np.int16)
    local = np.full(near.shape, -1, np.int16)
    for k, name in enumerate(names):
        local[near == name] = k
    turns, lenses = _engine_numbers([cameras[n] for n in names], plate)
    left = _from_labels(
        local, _numbered(names, numbers), turns, lenses, node_columns, node_rows, columns, rows,
        step, x0 - i0 * step, y0 - j0 * step, out,
    )  # fmt: skip
    if left:
        others = _frames_near(tuple(cameras), plate, x0, y0, width, height)
        turns, lenses = _engine_numbers([cameras[n] for n in others], plate)
        _from_all(
            _numbered(np.array(others, np.int64), numbers), turns, lenses,
            node_columns, node_rows, columns, rows,
            step, x0 - i0 * step, y0 - j0 * step, plate.pixels_per_radian, out,
        )  # fmt: skip
    return out


def _numbered(cameras: NDArray[Any], numbers: NDArray[np.int16] | None) -> NDArray[np.int16]:
    """What stands for these cameras in the answer."""
    return cameras.astype(np.int16) if numbers is None else numbers[cameras]


def _frames_near(
    cameras: tuple[Camera, ...], plate: Plate, x0: int, y0: int, width: int, height: int
) -> list[int]:
    """Frames whose footprint meets the rectangle or a cell's width around it."""
    turns = (-plate.width, 0, plate.width) if plate.wraps else (0,)
    start = x0 % plate.width if plate.wraps else x0
    return [
        k
        for k, camera in enumerate(cameras)
        if any(meets(_footprint(camera, plate), start + t, y0, start + t + width, y0 + height) for t in turns)
    ]


@lru_cache(maxsize=8192)
def _footprint(camera: Camera, plate: Plate) -> tuple[PlateRect, ...]:
    return footprint(camera, plate, 1.0)


@lru_cache(maxsize=8192)
def _numbers(camera: Camera, plate: Plate) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lens = [
        camera.width, camera.height, camera.focal_px, *camera.principal_point, *camera.distortion,
        camera.radius_limit**2,
    ]  # fmt: skip
    return camera.rotation @ plate.pose, np.array(lens)


def _engine_numbers(
    cameras: Sequence[Camera], plate: Plate
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Turns (n, 3, 3) and lenses (n, 9), as `_sampling.locate` takes them."""
    turns, lenses = np.empty((len(cameras), 3, 3)), np.empty((len(cameras), 9))
    for k, camera in enumerate(cameras):
        turns[k], lenses[k] = _numbers(camera, plate)
    return turns, lenses


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def room(
    columns: NDArray[np.float64],
    rows: NDArray[np.float64],
    i: int,
    j: int,
    turn: NDArray[np.float64],
    lens: NDArray[np.float64],
) -> float:
    """How far inside a frame's border a plate pixel lies, px of the frame; below 0 outside.

    The same sums in the same order as `_sampling.locate`, so that room >= 0 exactly where the sampler
    finds coverage.
    """
    r0, r1, r2 = rows[j, 0], rows[j, 1], rows[j, 2]
    x = columns[0, i] * r0
    y = columns[2, i] * r1
    z = columns[1, i] * r0 - r2
    zc = turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z
    if not zc > 1e-9 or rows[j, 3] * columns[3, i] <= 0.0:
        return _FAR
    xn = (turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z) / zc
    yn = (turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z) / zc
    q = xn * xn + yn * yn
    if not q < lens[8]:
        return _FAR
    d = 1.0 + q * (lens[5] + q * (lens[6] + q * lens[7]))
    u = lens[3] + lens[2] * xn * d
    v = lens[4] + lens[2] * yn * d
    return float(min(min(u + 0.5, lens[0] - 0.5 - u), min(v + 0.5, lens[1] - 0.5 - v)))


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _from_labels(
    labels: NDArray[np.int16],
    names: NDArray[np.int16],
    turns: NDArray[np.float64],
    lenses: NDArray[np.float64],
    node_columns: NDArray[np.float64],
    node_rows: NDArray[np.float64],
    columns: NDArray[np.float64],
    rows: NDArray[np.float64],
    step: int,
    dx: int,
    dy: int,
    out: NDArray[np.int16],
) -> bool:
    """Decide the pixels that a label around them can own with room to spare; whether any are left `_OPEN`.

    The window's pixel (0, 0) lies (dx, dy) beyond node (0, 0).
    """
    h, w = out.shape
    left = False
    inner = np.zeros(labels.shape, np.bool_)  # nodes that their own frame has well inside
    for nj in range(labels.shape[0]):
        for ni in range(labels.shape[1]):
            k = labels[nj, ni]
            if k >= 0:
                inner[nj, ni] = room(node_columns, node_rows, ni, nj, turns[k], lenses[k]) >= MARGIN_PX + 1.0
    near = np.empty(4, np.int16)
    share = np.empty(4, np.int64)
    for cj in range(labels.shape[0] - 1):
        top, bottom = max(cj * step - dy, 0), min((cj + 1) * step - dy, h)
        for ci in range(labels.shape[1] - 1):
            first, last = max(ci * step - dx, 0), min((ci + 1) * step - dx, w)
            own = labels[cj, ci]
            same = labels[cj, ci + 1] == own and labels[cj + 1, ci] == own and labels[cj + 1, ci + 1] == own
            if same and own < 0:
                out[top:bottom, first:last] = _OPEN
                left = True
                continue
            if same:  # the frame is convex, and a cell's image in it all but straight-edged
                both = inner[cj, ci] & inner[cj, ci + 1]
                if both & inner[cj + 1, ci] & inner[cj + 1, ci + 1]:
                    out[top:bottom, first:last] = names[own]
                    continue
            for y in range(top, bottom):
                fy = y + dy - cj * step
                for x in range(first, last):
                    fx = x + dx - ci * step
                    n = 0
                    for corner in range(4):
                        a, b = corner & 1, corner >> 1
                        label = labels[cj + b, ci + a]
                        if label < 0:
                            continue
                        part = (fx if a else step - fx) * (fy if b else step - fy)
                        k = 0
                        while k < n and near[k] != label:
                            k += 1
                        if k == n:
                            near[n] = label
                            share[n] = 0
                            n += 1
                        share[k] += part
                    name = np.int16(_OPEN)
                    for _ in range(n):
                        best = 0
                        for k in range(1, n):
                            if share[k] > share[best] or (share[k] == share[best] and near[k] < near[best]):
                                best = k
                        k = near[best]
                        if room(columns, rows, x, y, turns[k], lenses[k]) >= MARGIN_PX:
                            name = names[k]
                            break
                        share[best] = -1
                    out[y, x] = name
                    left = left or name == _OPEN
    return left


@njit(cache=True, nogil=True, error_model="numpy", boundscheck=False)
def _from_all(
    names: NDArray[np.int16],
    turns: NDArray[np.float64],
    lenses: NDArray[np.float64],
    node_columns: NDArray[np.float64],
    node_rows: NDArray[np.float64],
    columns: NDArray[np.float64],
    rows: NDArray[np.float64],
    step: int,
    dx: int,
    dy: int,
    scale: float,
    out: NDArray[np.int16],
) -> None:
    """Give every `_OPEN` pixel to the frame with most room around it, or to none."""
    h, w = out.shape
    gh, gw = node_rows.shape[0], node_columns.shape[1]
    near = np.empty(names.shape[0], np.int64)
    reaches = np.zeros((gh, gw, names.shape[0]), np.bool_)  # frames not too far from a node
    wanted = np.zeros((gh, gw), np.bool_)  # nodes around pixels still open
    for y in range(h):
        cj = (y + dy) // step
        for x in range(w):
            if out[y, x] == _OPEN:
                ci = (x + dx) // step
                wanted[cj, ci] = wanted[cj, ci + 1] = wanted[cj + 1, ci] = wanted[cj + 1, ci + 1] = True
    for nj in range(gh):
        for ni in range(gw):
            for k in range(names.shape[0] if wanted[nj, ni] else 0):
                reach = -(3.0 * step * lenses[k, 2] / scale + 4.0)
                reaches[nj, ni, k] = room(node_columns, node_rows, ni, nj, turns[k], lenses[k]) >= reach
    for cj in range(gh - 1):
        top, bottom = max(cj * step - dy, 0), min((cj + 1) * step - dy, h)
        for ci in range(gw - 1):
            first, last = max(ci * step - dx, 0), min((ci + 1) * step - dx, w)
            n = 0
            for k in range(names.shape[0]):
                some = reaches[cj, ci, k] | reaches[cj, ci + 1, k]
                if some | reaches[cj + 1, ci, k] | reaches[cj + 1, ci + 1, k]:
                    near[n] = k
                    n += 1
            for y in range(top, bottom):
                for x in range(first, last):
                    if out[y, x] != _OPEN:
                        continue
                    name, most = np.int16(-1), -0.0
                    for t in range(n):
                        k = near[t]
                        r = room(columns, rows, x, y, turns[k], lenses[k])
                        if r >= 0.0 and (name < 0 or r > most):
                            name, most = names[k], r
                    out[y, x] = name
