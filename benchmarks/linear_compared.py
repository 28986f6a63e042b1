"""A linear DNG of a panorama beside the raw files it was made of, both developed by LibRaw.

Both are given the same white balance, one that neither was shot with, gamma 1 and the same output colour;
then the same scene points must have the same colours, once the solved vignetting and gain of the frame are
divided out. Colours are means over squares of the frame, and over the same directions in the panorama, so
that resampling and noise have little say in them.

Sources: ISO/CIE 11664-4 (CIE 1976 L*a*b*), IEC 61966-2-1 (sRGB); CIEDE2000 by `colour_difference`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

from belvedere.capture.raw import read_raw_metadata
from belvedere.compose.report import Report
from belvedere.compose.report_geometry import camera_of, plate_of
from belvedere.deliver.colour_difference import ciede2000
from belvedere.geometry.orientation import displayed

Triple = tuple[float, float, float]

EVEN = 0.03
"""Below this standard deviation over mean a square is of one colour. Elsewhere, what LibRaw makes of one and
the same file depends on the balance given: filters are interpolated by differences of balanced colours."""
_XYZ_FROM_SRGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _XYZ_FROM_SRGB.sum(axis=1)
_DARKEST, _BRIGHTEST = 0.004, 0.97  # of white: what is developed nearer to its ends is held there by LibRaw
_EDGE = 0.03  # of the frame, left out on every side


@dataclass(frozen=True, slots=True)
class Compared:
    """Squares of one frame, seen in both files.

    Parameters
    ----------
    linear : ndarray of shape (n,)
        Difference of linear light over the square's own mean over its channels, the worst channel.
    colour : ndarray of shape (n,)
        CIEDE2000, light 1 as white.
    unlike : ndarray of shape (n,)
        Standard deviation of the frame's light within the square over its mean.
    """

    linear: NDArray[np.float64]
    colour: NDArray[np.float64]
    unlike: NDArray[np.float64]

    def even(self, most: float = EVEN) -> Compared:
        """Only squares that are as good as of one colour."""
        kept = self.unlike < most
        return Compared(self.linear[kept], self.colour[kept], self.unlike[kept])


def joined(parts: Sequence[Compared]) -> Compared:
    """The squares of several frames together."""
    return Compared(
        np.concatenate([p.linear for p in parts]),
        np.concatenate([p.colour for p in parts]),
        np.concatenate([p.unlike for p in parts]),
    )


def developed(file: Path, balance: Triple, colour: str = "sRGB") -> NDArray[np.float32]:
    """A raw file's or DNG's linear light (h, w, 3) as displayed, primaries of sRGB, or "raw": the camera's.

    Parameters
    ----------
    balance : tuple of 3 float
        Multipliers of red, green and blue; LibRaw makes the least of them 1.
    """
    with rawpy.imread(str(file)) as raw:
        flip = read_raw_metadata(file).orientation
        light = raw.postprocess(
            user_wb=[balance[0], balance[1], balance[2], balance[1]],
            gamma=(1, 1),
            output_bps=16,
            output_color=rawpy.ColorSpace[colour],
            no_auto_bright=True,
            adjust_maximum_thr=0.0,
            user_flip=0,
        )
    return np.ascontiguousarray(displayed(light, flip), np.float32) / np.float32(65535.0)


def picture_light(dng: Path, balance: Triple, headroom: float) -> NDArray[np.float32]:
    """Developed light of a linear DNG, where 1 is the camera's white level again."""
    return developed(dng, balance) * np.float32(headroom)


def compare_frame(
    picture: NDArray[np.float32],
    report: Report,
    number: int,
    file: Path,
    balance: Triple,
    headroom: float = 1.0,
    square: int = 8,
) -> Compared:
    """Compare a frame's raw file with the panorama, square by square.

    Parameters
    ----------
    picture : ndarray of shape (h, w, 3)
        From `picture_light`, with the same balance.
    report : Report
        Of the panorama.
    number : int
        Of the frame.
    file : Path
        The frame's raw file.
    balance : tuple of 3 float
    headroom : float
        Light at the picture's highest code.
    square : int
        Side of the squares, px of the frame.
    """
    frame = report.frames[number]
    camera, plate = camera_of(frame), plate_of(report)
    assert camera is not None
    gain, own = frame.gain or 1.0, np.asarray(frame.white_balance or (1.0, 1.0, 1.0))
    wanted = np.asarray(balance) / own  # a channel that the frame has too much of gets less
    given = (float(wanted[0]), float(wanted[1]), float(wanted[2]))
    light, in_camera = developed(file, given), developed(file, given, "raw")
    light = light * np.float32(wanted.min() / min(balance))  # LibRaw's least multiplier is 1
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    cx, cy = camera.principal_point
    q = ((x - cx) ** 2 + (y - cy) ** 2) / camera.half_diagonal_px**2
    a1, a2, a3 = frame.vignetting or (0.0, 0.0, 0.0)
    fall = gain * (1.0 + q * (a1 + q * (a2 + q * a3)))
    even = light / fall[..., None].astype(np.float32)

    places = plate.points(camera.rays(np.stack([x, y], axis=-1))).astype(np.float32)
    seen = cv2.remap(picture, places[..., 0], places[..., 1], cv2.INTER_CUBIC)
    inside = (
        (places[..., 0] > 2)
        & (places[..., 1] > 2)
        & (places[..., 0] < plate.width - 3)
        & (places[..., 1] < plate.height - 3)
        & (in_camera.max(axis=2) < _BRIGHTEST)
        & _shown_whole(light)
        & (seen.min(axis=2) > _DARKEST / 4)
        & (seen.max(axis=2) < _BRIGHTEST * headroom)
    )
    return _compared(even, seen, inside, square)


def compare_copy(file: Path, dng: Path, balance: Triple, square: int = 16) -> Compared:
    """Compare a raw file with a linear DNG of its own pixels."""
    light, in_camera = developed(file, balance), developed(file, balance, "raw")
    turned = displayed(developed(dng, balance), read_raw_metadata(file).orientation)
    where = (in_camera.max(axis=2) < _BRIGHTEST) & _shown_whole(light)
    return _compared(light, np.asarray(turned), where, square)


def compare_with_itself(file: Path, balance: Triple, square: int = 8) -> Compared:
    """Compare a raw file developed with a balance, and as shot and balanced so afterwards.

    Only the filters' interpolation differs: no picture made of frames as shot can come nearer.
    """
    light, in_camera = developed(file, balance), developed(file, balance, "raw")
    with rawpy.imread(str(file)) as raw:
        shot = np.array(raw.camera_whitebalance[:3])
        to_srgb = raw.color_matrix[:, :3].astype(np.float32)
    as_shot = developed(file, (float(shot[0]), float(shot[1]), float(shot[2])), "raw")
    least = np.asarray(balance) / min(balance) / (shot / shot.min())
    again = (as_shot * least.astype(np.float32)) @ to_srgb.T
    fits = (in_camera.max(axis=2) < _BRIGHTEST) & (as_shot.max(axis=2) < _BRIGHTEST)
    return _compared(light, again, fits & _shown_whole(light), square)


def clipped_squares(
    picture: NDArray[np.float32], report: Report, number: int, file: Path, square: int = 8
) -> NDArray[np.float64]:
    """The panorama's colours (n, 3) where one or two channels of a frame's sensor were full, and not all.

    Squares of the middle third of a frame that overlaps each neighbour by a third: nothing else shows there.

    Parameters
    ----------
    picture : ndarray of shape (h, w, 3)
        From `picture_light`.
    report : Report
    number : int
    file : Path
        As for `compare_frame`.
    """
    camera, plate = camera_of(report.frames[number]), plate_of(report)
    assert camera is not None
    with rawpy.imread(str(file)) as raw:
        values, colours = raw.raw_image_visible.copy(), raw.raw_colors_visible
        full = values >= raw.white_level
        here = np.stack(
            [cv2.dilate((full & (colours % 4 == k)).astype(np.uint8), np.ones((3, 3))) for k in range(4)]
        )
    channels = np.stack([here[0], np.maximum(here[1], here[3]), here[2]])
    lost = (channels.any(axis=0) & ~channels.all(axis=0)).astype(np.uint8)
    reach = np.ones((13, 13), np.uint8)  # of interpolating the filters, and of resampling
    lost = cv2.erode(lost, reach)
    lost = np.ascontiguousarray(displayed(lost, read_raw_metadata(file).orientation))
    height, width = lost.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    lost &= (np.abs(x / (width - 1) - 0.5) < 1.0 / 7.0).astype(np.uint8)
    places = plate.points(camera.rays(np.stack([x, y], axis=-1))).astype(np.float32)
    seen = cv2.remap(picture, places[..., 0], places[..., 1], cv2.INTER_CUBIC)
    whole = _squares(lost[..., None].astype(np.float32), square)[:, 0] > 0.999
    return _squares(seen, square)[whole]


def lab(light: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """CIE L*a*b* of linear sRGB light (..., 3), its white D65."""
    t = light.astype(np.float64) @ _XYZ_FROM_SRGB.T / _WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1
    )


def _shown_whole(light: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where developed light (h, w, 3) is held at neither end, and not at the frame's edge."""
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width]
    return np.asarray(
        (light.max(axis=2) < _BRIGHTEST)
        & (light.min(axis=2) > _DARKEST)
        & (np.abs(x / (width - 1) - 0.5) < 0.5 - _EDGE)
        & (np.abs(y / (height - 1) - 0.5) < 0.5 - _EDGE)
    )


def _compared(
    one: NDArray[np.float32], other: NDArray[np.float32], where: NDArray[np.bool_], square: int
) -> Compared:
    """Two lights (h, w, 3), over squares that lie wholly where they may be compared."""
    whole = _squares(where[..., None].astype(np.float32), square)[:, 0] > 0.999
    mean, other_mean = _squares(one, square)[whole], _squares(other, square)[whole]
    level = mean.mean(axis=1)
    spread = np.sqrt(np.maximum(_squares(one**2, square)[whole] - mean**2, 0.0)).max(axis=1)
    off = np.abs(other_mean - mean).max(axis=1)
    return Compared(off / level, ciede2000(lab(mean), lab(other_mean)), spread / level)


def _squares(values: NDArray[Any], side: int) -> NDArray[np.float64]:
    """Means (n, k) over squares of an array (h, w, k)."""
    down, across = values.shape[0] // side, values.shape[1] // side
    parts = values[: down * side, : across * side].reshape(down, side, across, side, -1)
    return np.asarray(parts.mean(axis=(1, 3), dtype=np.float64).reshape(down * across, -1))
