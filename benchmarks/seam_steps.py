"""Steps of tone across the seams of a picture, the scene's own steps taken out.

Both frames of a seam show both its sides. At a place on a seam the picture's step is log2 of the mean light
of a strip on one side over that on the other; the scene's own step is the same in either frame alone, at the
places the solved cameras give, with the tone the picture gave it. The picture's less the mean of both frames'
is what the seam added; its median over a piece of seam is the piece's step. The same a little to the side,
where the picture shows one frame and is compared with it, says how much of that is noise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from benchmarks.picture_made import Made

_STRIP = 10  # px averaged on either side
_GAP = 2  # px left out next to the seam
_BESIDE = 2 * (_STRIP + _GAP)  # px from the seam to the line beside it
_REACH = _BESIDE + _STRIP + _GAP + 1
_PIECE = 48  # px along the seam in one piece
_BAND = 480  # rows of the plate looked at together, a multiple of _PIECE
_FLAT_EV = 0.15  # RMS of the scene's own steps, at most, for a piece to count
_SURE_EV = 0.003  # one sigma of a piece's median
_LUMINANCE = np.array([0.25, 0.5, 0.25])
_KNOTS = np.linspace(0.0, 1.0, 1025)


@dataclass(frozen=True, slots=True)
class SeamSteps:
    """Absolute steps of pieces of seam, and of lines beside them, EV; share of all pieces that count."""

    seams: NDArray[np.float64]
    beside: NDArray[np.float64]
    share: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of seam: plate px just before it, (n,) each; the frames before and after; along x or y."""

    x: NDArray[np.int64]
    y: NDArray[np.int64]
    before: int
    after: int
    across_x: bool


def measure_seam_steps(made: Made, source: FrameSource) -> SeamSteps:
    """Measure every upright or level piece of seam in the picture that lies in a plain enough place."""
    pieces = list(_pieces(made))
    found = [(_added(made, source, p, 0), _added(made, source, p, -_BESIDE)) for p in pieces]
    seams = [abs(on) for on, _ in found if on is not None]
    beside = [abs(off) for _, off in found if off is not None]
    return SeamSteps(np.array(seams), np.array(beside), len(seams) / max(len(pieces), 1))


def _pieces(made: Made) -> Iterator[Piece]:
    """Pieces of seam that run upright enough to be crossed along x, then those crossed along y."""
    height, width = made.plate.height, made.plate.width
    for across_x in (True, False):
        long = height if across_x else width
        for start in range(0, long, _BAND):
            size = min(_BAND, long - start)
            own = made.owners(0, start, width, size) if across_x else made.owners(start, 0, size, height).T
            for along, across, before, after in _crossings(own):
                x, y = (across, along + start) if across_x else (along + start, across)
                yield Piece(x, y, before, after, across_x)


def _crossings(
    own: NDArray[np.int16],
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64], int, int]]:
    """(rows, columns, frame before, frame after) of pieces of seam between columns, nothing else near."""
    length, width = own.shape
    change = (own[:, 1:] != own[:, :-1]) & (own[:, 1:] >= 0) & (own[:, :-1] >= 0)
    for top in range(0, length, _PIECE):
        rows, columns = np.nonzero(change[top : top + _PIECE])
        rows = rows + top
        inside = (columns >= _REACH) & (columns < width - _REACH - 1)
        rows, columns = rows[inside], columns[inside]
        left, right = own[rows, columns], own[rows, columns + 1]
        for d in (2, _GAP + _STRIP, _BESIDE, _REACH - 1):
            same = (own[rows, columns - d] == left) & (own[rows, columns + 1 + d] == right)
            rows, columns, left, right = rows[same], columns[same], left[same], right[same]
        for a, b in sorted({(int(i), int(j)) for i, j in zip(left, right, strict=True)}):
            these = (left == a) & (right == b)
            if these.sum() >= _PIECE // 2:
                yield rows[these], columns[these], a, b


def _added(made: Made, source: FrameSource, piece: Piece, shift: int) -> float | None:
    """What the picture adds to the scene's own step across a piece, or `shift` px beside it; EV."""
    side = np.arange(_GAP, _GAP + _STRIP)
    offsets = shift + np.concatenate([-side, 1 + side])
    dx, dy = (offsets, 0 * offsets) if piece.across_x else (0 * offsets, offsets)
    at = np.stack([piece.x[:, None] + dx, piece.y[:, None] + dy], axis=-1)
    frames = (piece.before, piece.after) if shift == 0 else (piece.before,)
    shown = _step(_of_picture(made, at))
    scene = np.mean([_step(_of_frame(made, source, frame, at)) for frame in frames], axis=0)
    usable = np.isfinite(shown) & np.isfinite(scene)
    if usable.sum() < _PIECE // 2:
        return None
    added = (shown - scene)[usable]
    sigma = 1.2533 * 1.4826 * np.median(np.abs(added - np.median(added))) / np.sqrt(len(added))
    if sigma > _SURE_EV or np.sqrt(np.mean(scene[usable] ** 2)) > _FLAT_EV:
        return None
    return float(np.median(added))


def _step(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """log2 of the mean of the second half of the columns over that of the first."""
    half = light.shape[1] // 2
    return np.asarray(np.log2(light[:, half:].mean(axis=1) / light[:, :half].mean(axis=1)))


def _of_picture(made: Made, at: NDArray[np.int64]) -> NDArray[np.float64]:
    """Linear light of the picture; NaN where nothing is shown, too dark or too bright."""
    codes = made.codes[at[..., 1], at[..., 0]] / 65535.0
    light = np.interp(codes[..., :3], _KNOTS, made.to_linear) @ _LUMINANCE
    good = (codes[..., 3] == 1.0) & (light > 0.01) & (codes[..., :3].max(axis=-1) < 0.97)
    return np.where(good, light, np.nan)


def _of_frame(made: Made, source: FrameSource, frame: int, at: NDArray[np.int64]) -> NDArray[np.float64]:
    """Linear light of one frame, corrected, at plate positions; NaN where it shows none or too much."""
    place, seen = made.cameras[frame].project(made.plate.directions(at.astype(np.float64)))
    if not seen.all():
        return np.full(at.shape[:-1], np.nan)
    (x0, y0), (x1, y1) = (
        np.floor(place.min(axis=(0, 1))).astype(int),
        np.ceil(place.max(axis=(0, 1))).astype(int),
    )
    window = source.window(frame, 0, x0 - 1, y0 - 1, x1 + 2, y1 + 2)
    u, v = (np.ascontiguousarray(place[..., k] - o + 1, dtype=np.float32) for k, o in ((0, x0), (1, y0)))
    white = np.float32(np.iinfo(window.dtype).max)
    codes = cv2.remap(window.astype(np.float32) / white, u, v, cv2.INTER_CUBIC).astype(np.float64)
    light = made.light(frame)
    q = np.sum((place - light.principal_point) ** 2, axis=-1) / light.half_diagonal_px**2
    a1, a2, a3 = light.vignetting
    linear = np.interp(codes, _KNOTS, light.to_linear) * np.array(light.factor)
    linear = linear @ _LUMINANCE / (1.0 + q * (a1 + q * (a2 + q * a3)))
    return np.where(codes.max(axis=-1) < 0.97, linear, np.nan)
