"""How far solved cameras and tone lie from the demo's truth: used by the benchmark and by the tests.

Written from the definitions (docs/conventions.md) and SciPy, with nothing of `belvedere.align` or
`belvedere.tone` but their plain values.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from belvedere.capture.frame_source import FrameSource
from belvedere.demo.truth import Truth
from belvedere.geometry.camera import Camera
from belvedere.tone.tone import Tone

Cameras = Mapping[int, Camera]
"""Solved cameras by the frame's number in the truth; frames not used are missing."""

_REMAP_COLUMNS = 30000  # OpenCV's remap takes at most 32767


def frame_grid(camera: Camera, count: int) -> NDArray[np.float64]:
    """(count^2, 2) positions spread evenly over a frame, px."""
    x = (np.arange(count) + 0.5) / count * camera.width - 0.5
    y = (np.arange(count) + 0.5) / count * camera.height - 0.5
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def turn_to_truth(known: Truth, found: Cameras) -> NDArray[np.float64]:
    """The rotation (3 x 3) that takes the solved world to the true one, best over all frames' rays."""
    true, seen = _rays(known, found, 6)
    return np.asarray(Rotation.align_vectors(np.concatenate(true), np.concatenate(seen))[0].as_matrix())


def place_errors(known: Truth, found: Cameras) -> NDArray[np.float64]:
    """RMS error of every used frame's rays after the best turn of the whole, in shares of its long side."""
    turn = turn_to_truth(known, found)
    out = []
    for i, t, s in zip(found, *_rays(known, found, 6), strict=True):
        camera = known.frames[i].camera
        error = np.linalg.norm(t - s @ turn.T, axis=1) * camera.focal_px / max(camera.width, camera.height)
        out.append(np.sqrt(np.mean(error**2)))
    return np.array(out)


def disagreement_px(known: Truth, found: Cameras, count: int = 20) -> NDArray[np.float64]:
    """How far apart two overlapping frames' solved cameras see the same scene point, px.

    Over a grid of points of every frame that a later frame sees too; px of the frame, by its true focal
    length. Scene points are infinitely far: true of sets shot about the entrance pupil.
    """
    out = []
    frames = list(found)
    for k, a in enumerate(frames):
        true_a = known.frames[a].camera
        grid = frame_grid(true_a, count)
        rays = true_a.rays(grid)
        for b in frames[k + 1 :]:
            there, seen = known.frames[b].camera.project(rays)
            if not seen.any():
                continue
            apart = found[a].rays(grid[seen]) - found[b].rays(there[seen])
            out.append(np.linalg.norm(apart, axis=1) * true_a.focal_px)
    return np.concatenate(out) if out else np.zeros(0)


def focal_errors(known: Truth, found: Cameras) -> NDArray[np.float64]:
    """Relative error of every used frame's focal length."""
    return np.array([c.focal_px / known.frames[i].camera.focal_px - 1.0 for i, c in found.items()])


def distortion_curve_px(true: Camera, found: Camera) -> float:
    """Largest difference over the frame of where a ray at an angle off the axis falls, px from the axis.

    f r (1 + k1 r^2 + k2 r^4 + k3 r^6), r = tan(angle), out to the corner farthest from the principal point:
    focal length and distortion together, which is what a picture shows.
    """
    off = np.abs(np.array(true.principal_point) - [(true.width - 1) / 2, (true.height - 1) / 2])
    corner = float(np.hypot(*(np.array([true.width, true.height]) / 2 + off)))
    at = np.stack([np.linspace(0.0, corner, 200), np.zeros(200)], axis=-1) + np.array(true.principal_point)
    ray = true.camera_rays(at)
    r = ray[:, 0] / ray[:, 2]
    return float(np.abs(_curve(found, r) - _curve(true, r)).max())


def gain_error_ev(known: Truth, tone: Tone) -> float:
    """Largest error of a used frame's gain, EV; both have geometric mean 1 over the used frames."""
    used = [i for i, f in enumerate(tone.frames) if f is not None]
    true = np.log2([known.frames[i].gain for i in used])
    found = np.log2([f.gain for f in tone.frames if f is not None])
    return float(np.abs(found - found.mean() - (true - true.mean())).max())


def vignetting_error(known: Truth, tone: Tone) -> float:
    """Largest relative error of a used frame's relative illumination, centre to corner."""
    q = np.linspace(0.0, 1.0, 101)
    worst = 0.0
    for i, own in enumerate(tone.frames):
        if own is None:
            continue
        ratio = illumination(own.vignetting, q) / illumination(known.frames[i].vignetting, q)
        worst = max(worst, float(np.abs(ratio - 1.0).max()))
    return worst


def illumination(a: Sequence[float], q: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 + a1 q + a2 q^2 + a3 q^3."""
    return np.asarray(1.0 + q * (a[0] + q * (a[1] + q * a[2])))


def tone_steps_ev(
    known: Truth, tone: Tone, source: FrameSource, *, patches: int = 6, side: int = 240, sure: float = 0.004
) -> NDArray[np.float64]:
    """Median steps left in every patch of every overlap, EV, every channel by itself.

    Measured on reduced copies at the true places, not on the estimator's own samples. A patch counts if its
    median is known to `sure` EV (one sigma), which texture and noise forbid in some.

    Parameters
    ----------
    patches : int
        Patches along each side of a frame.
    side : int
        Points along each side of a frame.
    """
    used = [i for i, f in enumerate(tone.frames) if f is not None and known.frames[i].belongs]
    out: list[float] = []
    for k, a in enumerate(used):
        camera = known.frames[a].camera
        grid = frame_grid(camera, side)
        rays = camera.rays(grid)
        for b in used[k + 1 :]:
            there, seen = known.frames[b].camera.project(rays)
            if seen.sum() < 100:
                continue
            cell = (grid[seen] / [camera.width, camera.height] * patches).astype(int) @ [1, 1000]
            codes, light = zip(
                _light(known, tone, source, a, grid[seen]),
                _light(known, tone, source, b, there[seen]),
                strict=True,
            )
            good = (np.minimum(*codes) > 0.08) & (np.maximum(*codes) < 0.96)
            step = np.log2(light[1] / light[0])
            for c in np.unique(cell):
                for channel in range(3):
                    out += _sure_median(step[(cell == c) & good[:, channel], channel], sure)
    return np.array(out)


def _sure_median(values: NDArray[np.float64], sure: float) -> list[float]:
    """The median, if its standard error (that of a normal sample with the same MAD) is small enough."""
    if len(values) < 60:
        return []
    middle = float(np.median(values))
    sigma = 1.4826 * float(np.median(np.abs(values - middle)))
    return [middle] if 1.2533 * sigma / np.sqrt(len(values)) <= sure else []


def _light(
    known: Truth, tone: Tone, source: FrameSource, frame: int, at: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Codes 0..1 and corrected light (n, 3) at positions of a frame, from a reduced copy."""
    own, camera = tone.frames[frame], known.frames[frame].camera
    assert own is not None
    level = 0
    while level + 1 < source.levels(frame) and min(source.size(frame, level + 1)) >= 300:
        level += 1
    pixels = source.whole(frame, level)
    s = 2.0**level
    place = ((at - (s - 1.0) / 2.0) / s).astype(np.float32)
    white = float(np.iinfo(pixels.dtype).max)
    picture = pixels.astype(np.float32) / np.float32(white)
    codes = np.concatenate(
        [_bilinear(picture, place[k : k + _REMAP_COLUMNS]) for k in range(0, len(place), _REMAP_COLUMNS)]
    )
    linear = np.interp(codes, np.linspace(0.0, 1.0, 1025), tone.responses[own.response].to_linear)
    q = np.sum((at - camera.principal_point) ** 2, axis=-1) / camera.half_diagonal_px**2
    factor = own.gain * np.array(own.white_balance) * illumination(own.vignetting, q)[:, None]
    return codes, np.maximum(linear, 1e-6) / factor


def _bilinear(picture: NDArray[np.float32], at: NDArray[np.float32]) -> NDArray[np.float64]:
    """Samples (n, channels) at positions (n, 2), n at most `_REMAP_COLUMNS`."""
    u, v = (np.ascontiguousarray(at[None, :, k]) for k in (0, 1))
    found = cv2.remap(picture, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found[0], dtype=np.float64)


def _curve(camera: Camera, r: NDArray[np.float64]) -> NDArray[np.float64]:
    k1, k2, k3 = camera.distortion
    q = r * r
    return np.asarray(camera.focal_px * r * (1.0 + q * (k1 + q * (k2 + q * k3))))


def _rays(
    known: Truth, found: Cameras, count: int
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """True and solved rays of a grid over every used frame."""
    true, seen = [], []
    for i, camera in found.items():
        grid = frame_grid(known.frames[i].camera, count)
        true.append(known.frames[i].camera.rays(grid))
        seen.append(camera.rays(grid))
    return true, seen
