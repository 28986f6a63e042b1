"""How much fine detail a picture keeps of its frames, by power spectra of windows.

A window of the picture that one frame owns is compared with the window of that frame where the solved
camera puts it. Frequencies of the picture are told in the frame's cycles/px by the local stretch
J = d(plate)/d(frame): what varies with f_frame in the frame varies with f_plate in the picture,
f_frame = J^T f_plate, and its variance stays. So nothing is resampled to be compared. The frame's codes first
get the picture's own tone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.compose.light import FrameLight
from benchmarks.picture_made import Made

WINDOW_PX = 128
BAND = (0.25, 0.40)
_LEAST_VARIANCE = (0.6 / 255.0) ** 2  # in the band: less is rounding and the noise of flat places


@dataclass(frozen=True, slots=True)
class Detail:
    """Energy in the band of one window: of the picture, of its frame; whether a seam runs through it."""

    picture: float
    frame: float
    seam: bool


def measure_detail(made: Made, source: FrameSource, *, most: int = 400, clear_px: int = 24) -> list[Detail]:
    """Compare windows spread over the picture.

    Windows that one frame owns with `clear_px` to spare count as shown by one frame; windows with a seam
    through them are compared with the frame that owns their middle; others are passed over.
    """
    height, width = made.codes.shape[:2]
    pace = max(WINDOW_PX // 2, int(np.sqrt(height * width / (4.0 * most))))
    out = []
    for y in range(WINDOW_PX + clear_px, height - WINDOW_PX - clear_px, pace):
        for x in range(WINDOW_PX + clear_px, width - WINDOW_PX - clear_px, pace):
            found = _compare(made, source, x, y, clear_px)
            if found is not None:
                out.append(found)
    return out


def _compare(made: Made, source: FrameSource, x: int, y: int, clear: int) -> Detail | None:
    half = WINDOW_PX // 2 + clear
    own = made.owners(x - half, y - half, 2 * half, 2 * half)
    frame = int(own[half, half])
    core = own[clear:-clear, clear:-clear]
    if (own < 0).any():
        return None
    seam = bool((core != frame).any())
    if not seam and (own != frame).any():
        return None
    camera = made.cameras[frame]
    at, seen = camera.project(made.plate.directions(np.array([x, y], dtype=np.float64)))
    if not seen:
        return None
    stretch = _stretch(made, frame, at)
    reach = WINDOW_PX // 2
    corner = np.rint(at).astype(int) - reach
    if (corner < 0).any() or (corner + WINDOW_PX > [camera.width, camera.height]).any():
        return None
    # the same share of the scene: the picture's window is as much larger as the picture is
    w, h = (int(2 * round(WINDOW_PX * s / 2)) for s in np.linalg.norm(stretch, axis=1))
    if not (min(w, h) >= 0.8 * WINDOW_PX and max(w, h) <= WINDOW_PX + 2 * clear):
        return None
    part = made.codes[y - h // 2 : y + h // 2, x - w // 2 : x + w // 2, :3].astype(np.float64) / 65535.0
    codes = source.window(frame, 0, *corner, *(corner + WINDOW_PX))
    theirs = _with_tone(codes, corner, made.light(frame), made.to_linear)
    if part.max() > 0.98 or theirs.max() > 0.98:
        return None
    green = _band_variance(theirs[..., 1], np.eye(2))
    if green < _LEAST_VARIANCE:
        return None
    return Detail(_band_variance(part[..., 1], stretch), green, seam)


def _stretch(made: Made, frame: int, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """J[i, j] = d plate_i / d frame_j at a position of a frame."""
    camera, e = made.cameras[frame], 8.0
    near = at + np.array([[e, 0.0], [-e, 0.0], [0.0, e], [0.0, -e]])
    p = made.plate.points(camera.rays(near))
    return np.stack([(p[0] - p[1]) / (2 * e), (p[2] - p[3]) / (2 * e)], axis=-1)


def _with_tone(
    codes: NDArray[np.uint8] | NDArray[np.uint16],
    corner: NDArray[np.int64],
    light: FrameLight,
    to_linear: NDArray[np.float32],
) -> NDArray[np.float64]:
    """A frame's codes as the picture would encode them, 0..1."""
    knots = np.linspace(0.0, 1.0, 1025)
    linear = np.interp(codes / float(np.iinfo(codes.dtype).max), knots, light.to_linear)
    v, u = np.mgrid[: codes.shape[0], : codes.shape[1]].astype(np.float64)
    q = (u + corner[0] - light.principal_point[0]) ** 2 + (v + corner[1] - light.principal_point[1]) ** 2
    q = q / light.half_diagonal_px**2
    a1, a2, a3 = light.vignetting
    corrected = linear * np.array(light.factor) / (1.0 + q * (a1 + q * (a2 + q * a3)))[..., None]
    return np.interp(corrected, to_linear, knots)


def _band_variance(window: NDArray[np.float64], stretch: NDArray[np.float64]) -> float:
    """Variance of what lies in the band of the frame's frequencies, under a Hann window."""
    h, w = window.shape
    hann = np.outer(np.hanning(h + 2)[1:-1], np.hanning(w + 2)[1:-1])
    flat = window - float((window * hann).sum() / hann.sum())
    power = np.abs(np.fft.fft2(flat * hann)) ** 2 / (h * w * float((hann**2).sum()))
    fy, fx = np.meshgrid(np.fft.fftfreq(h), np.fft.fftfreq(w), indexing="ij")
    of_frame = np.stack([fx, fy], axis=-1) @ stretch  # J^T f
    f = np.hypot(of_frame[..., 0], of_frame[..., 1])
    return float(power[(f >= BAND[0]) & (f <= BAND[1])].sum())
