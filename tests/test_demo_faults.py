"""What goes wrong in single frames goes wrong by as much as was asked, and its truth says so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from belvedere.demo.blur import defocused, disc_kernel, motion_kernel
from belvedere.demo.faults import Fault
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import render_frame, render_frames, truth, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec, ShootingOrder, SimulatedBody
from belvedere.geometry.rotation import yaw_pitch_roll

QUIET = SimulatedBody(full_well=0.0)
STEADY = SetSpec(columns=4, megapixels=0.06, scatter_deg=0.0, tilt_deg=0.0, body=QUIET)
EXIF_IFD = 0x8769


def with_fault(fault: Fault) -> SetSpec:
    return replace(STEADY, faults=(fault,))


@pytest.mark.parametrize(("length", "angle"), [(3.0, 0.0), (3.0, 35.0), (12.5, 90.0), (40.0, -20.0)])
def test_motion_spreads_a_point_evenly_along_its_path(length: float, angle: float) -> None:
    kernel = motion_kernel(length, angle).astype(float)
    reach = len(kernel) // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    assert kernel.sum() == pytest.approx(1.0, abs=1e-6)
    assert (kernel * x).sum() == pytest.approx(0.0, abs=1e-5)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    along = (kernel * (x * c + y * s) ** 2).sum()
    across = (kernel * (y * c - x * s) ** 2).sum()
    # an even path has variance length^2 / 12; sharing points among pixels adds a quarter px^2 at most
    assert length**2 / 12.0 - 1e-3 <= along <= length**2 / 12.0 + 0.25
    assert across <= 0.25


@pytest.mark.parametrize("diameter", [3.0, 5.0, 17.3])
def test_a_disc_has_its_diameter(diameter: float) -> None:
    kernel = disc_kernel(diameter).astype(float)
    reach = len(kernel) // 2
    x = np.arange(-reach, reach + 1)
    assert kernel.sum() == pytest.approx(1.0, abs=1e-6)
    # an even disc has variance d^2 / 16 along any axis, a pixel's square adds 1 / 12
    assert (kernel.sum(axis=0) * x**2).sum() == pytest.approx(diameter**2 / 16.0 + 1.0 / 12.0, rel=0.12)


def test_large_discs_drawn_small_agree_with_those_drawn_in_full() -> None:
    rng = np.random.default_rng(1)
    light = rng.random((120, 160, 3), dtype=np.float32)
    light[40:80, 50:100] += 3.0
    shrunk = defocused(light, 50.0)
    full = cv2.filter2D(light, -1, disc_kernel(50.0), borderType=cv2.BORDER_REFLECT_101)
    assert np.abs(shrunk - full).max() < 0.12
    assert np.abs(shrunk - full).mean() < 0.02


def test_blur_takes_detail_from_one_frame_only() -> None:
    def detail(frame: np.ndarray) -> float:
        return float(np.abs(np.diff(frame.astype(float), axis=1)).mean())

    sharp = render_frames(STEADY)
    for fault in (Fault(2, motion_px=3.0), Fault(2, defocus_px=4.0)):
        frames = render_frames(with_fault(fault))
        assert detail(frames[2]) < 0.75 * detail(sharp[2])
        for i in (0, 1, 3):
            np.testing.assert_array_equal(frames[i], sharp[i])


def test_a_roll_a_refocus_and_a_turn_are_in_the_cameras() -> None:
    straight = truth(STEADY).cameras
    crooked = truth(with_fault(Fault(1, roll_deg=4.0, focal_factor=1.012))).cameras
    turns = [yaw_pitch_roll(b.rotation.T) for b in straight], [yaw_pitch_roll(b.rotation.T) for b in crooked]
    assert np.degrees(turns[1][1][2] - turns[0][1][2]) == pytest.approx(4.0)
    assert np.degrees(turns[1][2][2]) == pytest.approx(0.0)
    assert [b.focal_px / a.focal_px for a, b in zip(straight, crooked, strict=True)] == pytest.approx(
        [1.0, 1.012, 1.0, 1.0]
    )


def test_exposures_differ_as_told_and_untold(tmp_path: Path) -> None:
    spec = replace(
        STEADY,
        step_deg=0.0,
        columns=5,
        faults=(
            Fault(0, untold_ev=-0.7),
            Fault(1, exposure_ev=-0.7, exposure_auto=True),
            Fault(2, iso=200),
            Fault(3, f_number=11.3137, white_balance=(1.2, 0.8), white_balance_auto=True),
        ),
        subject_distance_m=40.0,
    )
    known = write_set(spec, tmp_path)
    gains = np.array([f.gain for f in known.frames])
    np.testing.assert_allclose(np.log2(gains / gains[4]), [-0.7, -0.7, 1.0, -1.0, 0.0], atol=1e-4)
    light = [
        np.interp(f / 255.0, np.linspace(0, 1, 1025), known.to_linear)[100:].mean(axis=(0, 1))
        for f in render_frames(spec)
    ]
    assert light[0] / light[4] == pytest.approx([2**-0.7] * 3, rel=0.02)
    assert light[3] / light[4] == pytest.approx([0.6, 0.5, 0.4], rel=0.03)
    told = []
    for name in known.files:
        with Image.open(tmp_path / name) as picture:
            told.append(picture.getexif().get_ifd(EXIF_IFD))
    # Exif 3.0: ExposureMode 0 auto, 1 manual; WhiteBalance 0 auto, 1 manual
    assert [t[0xA402] for t in told] == [1, 0, 1, 1, 1]
    assert [t[0xA403] for t in told] == [1, 1, 1, 0, 1]
    assert [t[0x8827] for t in told] == [100, 100, 200, 100, 100]
    assert [float(t[0x829D]) for t in told] == [8.0, 8.0, 8.0, 11.3, 8.0]
    assert {float(t[0x9206]) for t in told} == {40.0}
    times = [float(t[0x829A]) * 250.0 for t in told]
    assert times == pytest.approx([1.0, 2**-0.7, 1.0, 1.0, 1.0], abs=1e-3)


@pytest.mark.parametrize(("told", "tag"), [(False, 50.0), (True, 55.0)])
def test_a_zoomed_frame_tells_of_it_or_not(tmp_path: Path, told: bool, tag: float) -> None:
    known = write_set(with_fault(Fault(3, focal_factor=1.1, focal_told=told)), tmp_path)
    with Image.open(tmp_path / known.files[3]) as picture:
        assert float(picture.getexif().get_ifd(EXIF_IFD)[0x920A]) == tag
    assert known.frames[3].camera.focal_px == pytest.approx(1.1 * known.frames[2].camera.focal_px)


def test_brackets_share_their_pose() -> None:
    known = truth(replace(STEADY, bracket_ev=(0.0, -2.0, 2.0)))
    assert [f.pose for f in known.frames] == [i for i in range(4) for _ in range(3)]
    for i in range(0, 12, 3):
        a, b, c = known.frames[i : i + 3]
        assert a.camera == b.camera == c.camera
        assert np.log2([b.gain / a.gain, c.gain / a.gain]) == pytest.approx([-2.0, 2.0])
        assert a.seconds < b.seconds < c.seconds < a.seconds + 2.0


def test_a_tilt_drifts_along_the_row() -> None:
    pitches = [yaw_pitch_roll(c.rotation.T)[1] for c in truth(replace(STEADY, tilt_drift_deg=3.0)).cameras]
    np.testing.assert_allclose(np.degrees(np.diff(pitches)), 1.0, atol=1e-9)


@pytest.mark.parametrize(
    ("order", "cells"),
    [
        (ShootingOrder(), [(0, 0), (0, 1), (1, 0), (1, 1)]),
        (ShootingOrder(serpentine=True), [(0, 0), (0, 1), (1, 1), (1, 0)]),
        (ShootingOrder("up", "left"), [(1, 1), (1, 0), (0, 1), (0, 0)]),
        (ShootingOrder("up", "left", serpentine=True), [(1, 1), (1, 0), (0, 0), (0, 1)]),
    ],
)
def test_order_changes_when_a_pose_is_shot_but_not_where_it_lies(
    order: ShootingOrder, cells: list[tuple[int, int]]
) -> None:
    grid = replace(STEADY, rows=2, columns=2)
    usual = {(s.row, s.column): s.camera for s in plan_shots(grid)}
    shots = plan_shots(replace(grid, order=order))
    assert [(s.row, s.column) for s in shots] == cells
    assert [s.seconds for s in shots] == [0.0, 4.0, 8.0, 12.0]
    assert all(s.camera == usual[s.row, s.column] for s in shots)


def test_a_fault_outside_the_set_is_refused() -> None:
    with pytest.raises(ValueError, match="0 to 3"):
        plan_shots(with_fault(Fault(4, roll_deg=1.0)))


def test_ground_is_near_and_drawn_there() -> None:
    spec = set_spec("near-ground", megapixels=0.2, columns=2)
    known = truth(spec)
    assert [f.nearest_ground_m for f in known.frames] == pytest.approx([2.5, 2.5], abs=0.1)
    # The ground before the viewer ends at the same angle however low the eye: 70 m away from 12 m up.
    assert known.layers_m["ground"] == pytest.approx(70.0 * spec.place.eye_m / 12.0)
    spec = replace(spec, scatter_deg=0.0, step_deg=0.0, columns=1, body=QUIET, pupil_offset_mm=0.0)
    shot = plan_shots(spec)[0]
    beside = replace(shot, centre_m=(0.06, 0.0, 0.0))
    before, after = (render_frame(spec, s).astype(float).mean(axis=-1) for s in (shot, beside))
    # The lowest row looks at ground whose depth z along the sight line gives 60 mm a shift of f * 0.06 / z.
    y = before.shape[0] - 12
    ray = shot.camera.camera_rays([before.shape[1] / 2.0, y])
    world = shot.camera.rays([before.shape[1] / 2.0, y])
    z = spec.place.eye_m / world[1] * ray[2]
    wanted = shot.camera.focal_px * 0.06 / z
    row = before[y - 4 : y + 5, 60:-60]
    errors = [np.abs(row - after[y - 4 : y + 5, 60 - d : -60 - d]).mean() for d in range(40)]
    assert int(np.argmin(errors)) == pytest.approx(wanted, abs=1.2)
    assert wanted > 5.0
