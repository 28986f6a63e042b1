"""The rendered frames keep to their own truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.demo.place import EYE_HEIGHT_M, Place
from belvedere.demo.rays import rays_of_row, undistortion_table
from belvedere.demo.render import render_frames, truth
from belvedere.demo.spec import SetSpec, SimulatedBody, SimulatedLens
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import direction

QUIET = SimulatedBody(full_well=0.0)
PAIR = SetSpec(
    columns=2, megapixels=0.6, body=QUIET, bits=16, place=Place(clouds=0.0), pitch_deg=-8.0, seed=4
)


def resampled(frame: NDArray[np.generic], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Green of the frame at positions (h, w, 2), by windowed sinc over 8 x 8 pixels."""
    grey = np.asarray(frame[..., 1], dtype=np.float64)
    base = np.floor(points).astype(int)
    total = np.zeros(points.shape[:2])
    weights = np.zeros(points.shape[:2])
    for dy in range(-3, 5):
        for dx in range(-3, 5):
            x, y = base[..., 0] + dx, base[..., 1] + dy
            ox, oy = points[..., 0] - x, points[..., 1] - y
            w = np.sinc(ox) * np.sinc(ox / 4) * np.sinc(oy) * np.sinc(oy / 4)
            total += w * grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)]
            weights += w
    return np.asarray(total / weights)


def estimated_shift(
    a: Camera,
    b: Camera,
    frames: list[NDArray[np.generic]],
    at: NDArray[np.float64],
    half: int = 20,
    where_in_b: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
) -> NDArray[np.float64]:
    """Shift (dx, dy) in px left between frame a and frame b drawn onto it, by least squares around `at`."""
    ys, xs = np.mgrid[-half : half + 1, -half : half + 1]
    points = np.stack([xs + at[0], ys + at[1]], axis=-1).astype(float)
    there = where_in_b(points) if where_in_b else b.project(a.rays(points))[0]
    first, second = resampled(frames[0], points), resampled(frames[1], there)
    gy, gx = np.gradient(first)
    terms = np.stack([gx.ravel(), gy.ravel(), second.ravel(), np.ones(second.size)], axis=1)
    return np.linalg.lstsq(terms, first.ravel(), rcond=None)[0][:2]


def common_points(a: Camera, b: Camera, margin: float, step: int) -> NDArray[np.float64]:
    """Whole pixels (n, 2) of a that b sees too, both at least `margin` px inside."""
    u, v = np.meshgrid(np.arange(margin, a.width - margin, step), np.arange(margin, a.height - margin, step))
    points = np.stack([u, v], axis=-1).reshape(-1, 2).astype(float)
    there, seen = b.project(a.rays(points))
    inside = np.all((there > margin) & (there < np.array([b.width, b.height]) - margin), axis=-1)
    return points[seen & inside]


def test_a_scene_point_lies_where_both_cameras_say() -> None:
    frames, (a, b) = render_frames(PAIR), truth(PAIR).cameras
    points = common_points(a, b, 35.0, 53)
    assert len(points) >= 25
    shifts = np.hypot(*np.array([estimated_shift(a, b, frames, p) for p in points]).T)
    assert np.median(shifts) < 0.02
    assert np.sqrt(np.mean(shifts**2)) < 0.05


def test_near_ground_shifts_as_the_pupil_moves() -> None:
    spec = replace(PAIR, pupil_offset_mm=500.0, scatter_deg=0.0)
    frames, known = render_frames(spec), truth(spec)
    a, b = known.cameras
    points = common_points(a, b, 35.0, 37)
    elevation = np.arcsin(-a.rays(points)[:, 1])
    far = points[(elevation > 0.075) & (elevation < 0.15)]
    assert np.median([np.hypot(*estimated_shift(a, b, frames, p)) for p in far]) < 0.05
    near = points[elevation < -0.26]
    here, there = np.array(known.frames[0].centre_m), np.array(known.frames[1].centre_m)
    rays = a.rays(near)
    ground = here + rays * ((EYE_HEIGHT_M - here[1]) / rays[:, 1])[:, None]
    parallax = b.project(ground - there)[0] - b.project(rays)[0]
    assert np.median(np.hypot(*parallax.T)) > 3.0  # at 0.6 megapixels

    def on_ground(points: NDArray[np.float64]) -> NDArray[np.float64]:
        rays = a.rays(points)
        spots = here + rays * ((EYE_HEIGHT_M - here[1]) / rays[..., 1])[..., None]
        return b.project(spots - there)[0]

    left = [np.hypot(*estimated_shift(a, b, frames, p, where_in_b=on_ground)) for p in near]
    assert np.median(left) < 0.03


def test_pixels_look_along_the_cameras_rays() -> None:
    spec = replace(PAIR, lens=SimulatedLens(distortion=(-0.09, 0.015, 0.002)), focal_mm=24.0)
    camera = truth(spec).cameras[1]
    table, radius2 = undistortion_table(camera)
    d = np.empty((3, camera.width))
    pp = np.array(camera.principal_point)
    for v in (0, 333, camera.height - 1):
        rays_of_row(d[0], d[1], d[2], float(v), camera.focal_px, pp, camera.rotation, table, radius2)
        want = camera.rays(np.stack([np.arange(camera.width), np.full(camera.width, v)], axis=-1))
        np.testing.assert_allclose(d.T, want, atol=2e-8)


def test_a_sunken_horizon_is_the_seas_and_level() -> None:
    spec = SetSpec(
        columns=1, megapixels=0.5, body=QUIET, place=Place(clouds=0.0, sea_yaw_deg=0.0, sea_width_deg=80.0)
    )
    (frame,), (camera,) = render_frames(spec), truth(spec).cameras
    for yaw in np.radians([-8.0, 0.0, 9.0]):
        above, _ = camera.project(direction(yaw, 3.0 / camera.focal_px))
        below, _ = camera.project(direction(yaw, -3.0 / camera.focal_px))
        (ua, va), (ub, vb) = np.rint(above).astype(int), np.rint(below).astype(int)
        assert int(frame[va, ua, 0]) - int(frame[vb, ub, 0]) > 8


def test_gains_and_white_balance_are_what_the_frames_show() -> None:
    still = replace(PAIR, scatter_deg=0.0, step_deg=0.0, columns=3, white_balance_sigma=0.02)
    spec = replace(still, exposure_ev=(0.0, -1.0, 0.5), drift_ev=(0.1, 0.0, 0.0))
    frames, known = render_frames(spec), truth(spec)
    assert np.exp(np.mean([np.log(f.gain) for f in known.frames])) == pytest.approx(1.0)
    light = [np.interp(f / 65535.0, np.linspace(0, 1, 1025), known.to_linear) for f in frames]
    open_ = np.all([(x > 0.02) & (x < 0.98) for x in light], axis=(0, 3))
    for frame, x in zip(known.frames[1:], light[1:], strict=True):
        measured = [np.median(x[open_, k] / light[0][open_, k]) for k in range(3)]
        first = known.frames[0]
        wanted = [
            frame.gain * frame.white_balance[k] / (first.gain * first.white_balance[k]) for k in range(3)
        ]
        np.testing.assert_allclose(measured, wanted, rtol=2e-3)


def test_vignetting_and_contrast_curve_are_what_truth_says() -> None:
    body = SimulatedBody(full_well=0.0, contrast=0.55)
    spec = replace(PAIR, columns=1, body=body)
    known = truth(spec)
    (frame,), camera = render_frames(spec), known.cameras[0]
    plain = replace(spec, lens=replace(spec.lens, vignetting=(0.0, 0.0, 0.0)), body=QUIET)
    (flat,) = render_frames(plain)
    codes = np.linspace(0, 1, 1025)
    y, x = np.mgrid[0 : camera.height, 0 : camera.width]
    cx, cy = camera.principal_point
    q = ((x - cx) ** 2 + (y - cy) ** 2) / camera.half_diagonal_px**2
    a1, a2, a3 = known.frames[0].vignetting
    want = (
        np.interp(flat / 65535.0, codes, truth(plain).to_linear)
        * (1 + q * (a1 + q * (a2 + q * a3)))[..., None]
    )
    got = np.interp(frame / 65535.0, codes, known.to_linear)
    usable = (flat < 65000) & (want > 0.02)
    assert np.max(np.abs(got[usable] / want[usable] - 1.0)) < 3e-3
