"""The light of merged exposures, from files: its range, its tones, and the curve a camera put on it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from belvedere.capture.camera_curve import PairOfCodes, estimate_camera_curve
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.metadata import read_metadata
from belvedere.capture.set_contrast import estimate_contrast, poses_to_look_at, with_contrast
from belvedere.capture.transfer import read_transfer
from belvedere.demo.faults import Fault
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import render_frame, write_frame, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SimulatedBody
from benchmarks.bracket_wedge import Files, merge_wedge, shoot_wedge, tone_bands
from tests.bracket_sets import light_of_codes_alone, merged, pose, shot, true_light


@pytest.fixture(scope="module")
def shelf() -> Iterator[Path]:
    with TemporaryDirectory() as folder:
        yield Path(folder)


@pytest.mark.parametrize("files", ["tiff", "raw", "jpeg"])
@pytest.mark.parametrize("steps", [(0.0, -2.0, 2.0), (-4.0, -2.0, 0.0, 2.0, 4.0)])
def test_the_dynamic_range_is_the_best_there_is_within_a_tenth_of_a_stop(
    files: Files, steps: tuple[float, ...], tmp_path: Path
) -> None:
    frame, light = shoot_wedge(tmp_path, files, steps, megapixels=0.3)
    wedge = merge_wedge(frame, light, tmp_path, SimulatedBody())
    assert wedge.range_ev() == pytest.approx(wedge.range_ev(best=True), abs=0.1)
    wide = wedge.range_ev(best=True)
    assert wide > 12.3 + max(steps) - min(steps) - 0.4
    well_above = [(depth, off) for depth, off in tone_bands(wedge) if depth < wide - 5.0]
    assert len(well_above) >= 5
    assert max(abs(off) for _, off in well_above) < {"tiff": 0.002, "raw": 0.01, "jpeg": 0.015}[files]


def test_the_light_of_a_scene_comes_back_from_shadows_to_beyond_the_usual_white(
    shelf: Path, tmp_path: Path
) -> None:
    spec, known, folder = shot(shelf, brightness=2.5)
    frame = pose(folder, known.files[:3])
    found, account = merged(frame, tmp_path)
    assert account.merged == (1, 0, 2)
    assert account.exposure_ev == pytest.approx((0.0, 2.0, 4.0), abs=0.01)
    assert account.moved_share < 0.001
    true = true_light(spec, plan_shots(spec)[0])
    assert true.max() > 0.3  # at 0 EV beyond white: 0.25
    whole = (slice(4, -4), slice(4, -4))
    off = np.log2(found[whole] / true[whole])
    assert abs(np.median(off)) < 0.01
    assert abs(np.median(off[true[whole] > 0.3])) < 0.02
    single = decode(frame.exposures[0])
    assert np.mean(np.asarray(single == 255).any(axis=2)) > 0.02


def test_exposures_alike_are_averaged(shelf: Path, tmp_path: Path) -> None:
    spec, known, folder = shot(shelf, brightness=0.5, bits=16)
    once = pose(folder, known.files[:1])
    again = folder / "AGAIN.TIF"
    second = replace(plan_shots(spec)[0], exposing=replace(plan_shots(spec)[0].exposing, noise_seed=77))
    write_frame(spec, second, render_frame(spec, second), again)
    both = Frame((*once.exposures, Exposure(again, read_metadata(again))))
    found, account = merged(both, tmp_path)
    assert account.exposure_ev == pytest.approx((0.0, 0.0), abs=0.01)
    truth = true_light(spec, plan_shots(spec)[0]) * 4.0
    alone = light_of_codes_alone(once.exposures[0])
    inside = (truth > 0.05) & (truth < 0.5)
    assert np.std((found / truth)[inside]) < 0.8 * np.std((alone / truth)[inside])


def test_other_iso_and_aperture_are_weighed_by_the_light_they_take(shelf: Path, tmp_path: Path) -> None:
    """0 EV, then two stops down the aperture, then two stops up the sensitivity."""
    spec = set_spec(
        "row", megapixels=0.2, columns=1, bracket_ev=(0.0, 0.0, 0.0),
        faults=(Fault(1, f_number=16.0), Fault(2, iso=400)), brightness=0.8,
    )  # fmt: skip
    known = write_set(spec, tmp_path / "set")
    found, account = merged(pose(tmp_path / "set", known.files), tmp_path)
    assert account.merged == (1, 0, 2)
    assert account.exposure_ev == pytest.approx((0.0, 2.0, 4.0), abs=0.02)
    truth = true_light(spec, plan_shots(spec)[0])
    assert np.median(found / truth) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("contrast", "quality"), [(0.0, 95), (0.3, 95), (0.55, 95), (0.4, 60)])
def test_a_camera_s_own_curve_is_found_from_its_exposures_and_undone(
    contrast: float, quality: int, shelf: Path, tmp_path: Path
) -> None:
    """Light is true in every tone, up to one factor that the curve near white leaves open."""
    body = SimulatedBody("Brevalin", "Brevalin C5", contrast=contrast)
    spec, known, folder = shot(shelf, brightness=1.3, body=body, quality=quality)
    frame = pose(folder, known.files[:3])
    found, account = merged(frame, tmp_path)
    assert bool(account.curve) == (contrast > 0.0)
    assert not account.wrong_settings
    assert account.exposure_ev == pytest.approx((0.0, 2.0, 4.0), abs=0.02)
    assert account.moved_share < 0.01
    plain = replace(spec, body=replace(body, contrast=0.0))
    true = true_light(plain, plan_shots(plain)[0])[..., 1]
    off = np.log2(found[..., 1] / true)
    bands = [off[(true >= 2.0**k) & (true < 2.0 ** (k + 1))] for k in range(-8, -1)]
    middles = [float(np.median(band)) for band in bands if band.size > 500]
    assert len(middles) >= 4
    assert max(middles) - min(middles) < 0.06
    assert abs(float(np.mean(middles))) < 0.08
    given = Frame(tuple(replace(e, contrast=()) for e in frame.exposures))
    assert merged(given, tmp_path)[1].curve == ()


def test_one_curve_serves_all_frames_of_a_camera(shelf: Path, tmp_path: Path) -> None:
    body = SimulatedBody("Brevalin", "Brevalin C5", contrast=0.55)
    _, known, folder = shot(shelf, brightness=1.3, body=body)
    frames = [pose(folder, known.files[:3]), pose(folder, known.files[3:]), pose(folder, known.files[:1])]
    look = poses_to_look_at(frames)
    assert list(look.values()) == [(0, 1)]
    curve = estimate_contrast(frames[:2], tmp_path, decode)
    assert curve
    carried = with_contrast(frames, dict.fromkeys(look, curve))
    assert [f.exposures[0].contrast for f in carried] == [curve, curve, None]
    assert poses_to_look_at(carried) == {}
    with FrameStore(tmp_path / "frames", [carried[0], frames[0]]) as store:
        assert [store.build_one(i) for i in range(2)] == [False, False]
        account = store.account(0)
        assert account is not None
        assert account.curve == curve


def test_no_curve_is_made_up_for_settings_that_are_wrong() -> None:
    """A step of 2 EV whose tags tell none cannot be a curve's doing, nor one of things that moved."""
    codes = np.random.default_rng(2).uniform(0.2, 0.95, 3000)
    table = read_transfer(Metadata(1, 1)).to_linear
    knots = np.linspace(0.0, 1.0, table.size)
    darker = np.interp(np.interp(codes, knots, table) / 4.0, table, knots)
    assert estimate_camera_curve([PairOfCodes(codes, darker, 2.0)], table) == ()
    assert estimate_camera_curve([PairOfCodes(codes, darker, 0.0)], table) is None
    other = np.random.default_rng(3).permutation(darker)
    assert estimate_camera_curve([PairOfCodes(codes, other, 2.0)], table) is None
    assert estimate_camera_curve([PairOfCodes(codes[:50], darker[:50], 2.0)], table) is None
    assert estimate_camera_curve([], table) is None
