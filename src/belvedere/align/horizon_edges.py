"""Edges in a frame that a sea horizon could be: plain sky above, flat water below."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import level_of
from belvedere.capture.frame_source import FrameSource
from belvedere.geometry.camera import Camera

REDUCED_PX = 300_000  # the edges are looked for on the smallest level of at least this many px
_BAND = np.radians(15.0)  # about the rough level
_COLUMNS = 160  # looked at in a frame
_STEP = 0.025  # least step of brightness over the edge, of full scale
_SIDE = 3  # px averaged on either side of the edge
_SKY = np.radians(1.5)  # height of the strip above that must be plain
_SEA = np.radians(0.6)  # height of the strip below


@dataclass(frozen=True, slots=True)
class Edges:
    """Candidate points of one frame.

    Parameters
    ----------
    points : ndarray of shape (n, 2), float64
        (u, v) in px of the full frame.
    rays : ndarray of shape (n, 3), float64
        Unit world directions.
    step : ndarray of shape (n,), float64
        Brightness above minus below, of full scale.
    column : ndarray of shape (n,), int64
        Which of the frame's columns; several points may share one.
    columns : ndarray of shape (m, 3), float64
        World direction of every column looked at, where it meets the rough horizon.
    pixel : float
        Angle of a pixel of the reduced copy, rad.
    """

    points: NDArray[np.float64]
    rays: NDArray[np.float64]
    step: NDArray[np.float64]
    column: NDArray[np.int64]
    columns: NDArray[np.float64]
    pixel: float


def find_edges(source: FrameSource, frame: int, camera: Camera, down: NDArray[np.float64]) -> Edges | None:
    """Candidates for the sea horizon in one frame; None if it does not look there or is far from upright.

    A candidate is a local maximum of the step from bright above to dark below, with a strip above as plain
    as sky and a strip below without upright structure, that is no greener or warmer than the sky allows.

    Parameters
    ----------
    camera : Camera
        Of the full frame.
    down : ndarray of shape (3,)
        Rough level.
    """
    plumb = camera.rotation @ down
    if abs(plumb[0]) > 0.5 * abs(plumb[1]) or plumb[1] <= 0.0:
        return None
    level = level_of(source, frame, REDUCED_PX)
    view = camera.scaled(level)
    near = _heights(view, down)
    if not (np.abs(near) < _BAND).any():
        return None
    rows = np.flatnonzero((np.abs(near) < _BAND).any(axis=1))
    first, last = int(rows[0]) * _GRID, min((int(rows[-1]) + 1) * _GRID, view.height)
    sky = max(8, round(_SKY * view.focal_px))
    sea = max(4, round(_SEA * view.focal_px))
    first, last = max(0, first - sky), min(view.height, last + sea)
    picture = source.window(frame, level, 0, first, view.width, last)
    image = picture.astype(np.float32) / np.float32(255 if picture.dtype == np.uint8 else 65535)
    found = _candidates(image, max(1, view.width // _COLUMNS), sky, sea)
    u, v, step, column, looked = found
    v = v + first
    size = 2.0**level
    points = np.column_stack([u, v]) * size + (size - 1.0) / 2.0
    rays = camera.rays(points)
    inside = np.abs(np.arcsin(np.clip(rays @ down, -1.0, 1.0))) < _BAND
    middle = np.column_stack([looked, np.full(len(looked), (first + last) / 2.0)]) * size
    return Edges(
        points[inside],
        rays[inside],
        step[inside],
        column[inside],
        camera.rays(middle),
        1.0 / view.focal_px,
    )


_GRID = 16
_WIDE = 16  # px averaged along the edge at full resolution
_SIDE_FULL = 4  # px averaged on either side of it


def measure_again(
    source: FrameSource, frame: int, camera: Camera, points: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Measure points of the edge at full resolution.

    Parameters
    ----------
    points : ndarray of shape (n, 2), float64
        (u, v) in px of the full frame, to a pixel or so of the reduced copy.

    Returns
    -------
    ndarray of shape (n, 2), float64
        The same u with v where the step is steepest within 1.5 px of the reduced copy; NaN where it is not
        inside that range.
    """
    reach = round(1.5 * 2.0 ** level_of(source, frame, REDUCED_PX)) + 2
    half = reach + _SIDE_FULL
    out = np.full(points.shape, np.nan)
    for k, (u, v) in enumerate(points):
        x, y = round(u - _WIDE / 2.0), round(v)
        if x < 0 or x + _WIDE > camera.width or y - half < 0 or y + half >= camera.height:
            continue
        window = source.window(frame, 0, x, y - half, x + _WIDE, y + half + 1).astype(np.float64)
        tone = window.mean(axis=1) @ np.array([0.3, 0.4, 0.3])
        total = np.concatenate([[0.0], np.cumsum(tone)])
        edge = np.arange(_SIDE_FULL, len(tone) - _SIDE_FULL + 1)
        step = 2.0 * total[edge] - total[edge - _SIDE_FULL] - total[edge + _SIDE_FULL]
        at = int(np.argmax(step))
        if 0 < at < len(step) - 1:
            bend = step[at - 1] - 2.0 * step[at] + step[at + 1]
            sub = 0.5 * (step[at - 1] - step[at + 1]) / bend if bend < 0.0 else 0.0
            out[k] = x + (_WIDE - 1) / 2.0, y - half + edge[at] - 0.5 + sub
    return out


def _heights(view: Camera, down: NDArray[np.float64]) -> NDArray[np.float64]:
    """Elevation in rad on a grid of every `_GRID` px of a frame."""
    u, v = np.meshgrid(np.arange(0, view.width, _GRID), np.arange(0, view.height, _GRID))
    return np.asarray(-np.arcsin(np.clip(view.rays(np.stack([u, v], axis=-1)) @ down, -1.0, 1.0)))


def _candidates(
    image: NDArray[np.float32], every: int, sky: int, sea: int
) -> tuple[
    NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]
]:
    """u, v, step and column of the candidates, and the columns looked at, px of the copy."""
    grey = cv2.transform(image, np.array([[0.3, 0.4, 0.3]], np.float32))
    height, width = grey.shape[:2]
    looked = np.arange(every // 2 + 2, width - 2, every)
    across = np.abs(grey[:, looked + 2] - grey[:, looked - 2])
    wide = 2 * (every // 2) + 1
    smooth = cv2.blur(image, (wide, 1))[:, looked]  # (height, m, 3)
    tone = smooth @ np.array([0.3, 0.4, 0.3], np.float32)
    m = len(looked)
    zero = np.zeros((1, m), np.float64)
    total = np.concatenate([zero, np.cumsum(tone, axis=0, dtype=np.float64)])
    square = np.concatenate([zero, np.cumsum(tone.astype(np.float64) ** 2, axis=0)])
    rough = np.concatenate([zero, np.cumsum(across.astype(np.float64) ** 2, axis=0)])
    # step between rows i - 1 and i: mean of _SIDE rows above less mean of _SIDE rows below
    edge = np.arange(_SIDE, height - _SIDE + 1)
    step = (2.0 * total[edge] - total[edge - _SIDE] - total[edge + _SIDE]) / _SIDE
    inner = step[1:-1]
    peak = (inner >= step[:-2]) & (inner > step[2:]) & (inner > _STEP)
    at, col = np.nonzero(peak)
    at += 1
    # sub-pixel: vertex of the parabola through the maximum and its neighbours
    a, b, c = step[at - 1, col], step[at, col], step[at + 1, col]
    v = edge[at] - 0.5 + 0.5 * (a - c) / np.minimum(a - 2.0 * b + c, -1e-12)
    row = edge[at]
    top, bottom = np.maximum(row - 2 - sky, 0), np.maximum(row - 2, 1)
    under, deep = np.minimum(row + 2, height - 1), np.minimum(row + 2 + sea, height)
    n_above, n_below = np.maximum(bottom - top, 1), np.maximum(deep - under, 1)
    mean_above = (total[bottom, col] - total[top, col]) / n_above
    mean_below = (total[deep, col] - total[under, col]) / n_below
    spread = np.sqrt(
        np.maximum((square[bottom, col] - square[top, col]) / n_above - mean_above**2, 0.0)
    )  # of the sky
    upright = np.sqrt((rough[deep, col] - rough[under, col]) / n_below)
    calm = np.sqrt((rough[bottom, col] - rough[top, col]) / n_above)
    colour = np.concatenate([np.zeros((1, m, 3)), np.cumsum(smooth, axis=0, dtype=np.float64)])
    above = (colour[bottom, col] - colour[top, col]) / n_above[:, None]
    below = (colour[deep, col] - colour[under, col]) / n_below[:, None]
    redness = (below[:, 0] + 0.02) / (below[:, 2] + 0.02)
    sky_red = (above[:, 0] + 0.02) / (above[:, 2] + 0.02)
    green = below[:, 1] - np.maximum(below[:, 0], below[:, 2])
    good = (
        (mean_above - mean_below > 0.5 * b)
        & (spread < 0.4 * b)
        & (calm < 0.25 * b)
        & (upright < 0.25 * b)
        & (redness < 1.15 * np.maximum(sky_red, 0.95))
        & (green < 0.04)
        & (n_above >= 0.6 * sky)
        & (n_below >= 0.6 * sea)
    )
    return looked[col][good].astype(np.float64), v[good], b[good], col[good], looked.astype(np.float64)
