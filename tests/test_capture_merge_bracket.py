"""Frames of several exposures, from files: what moved, what is missing, what the tags get wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.capture.bracket_account import BracketAccount, account_path
from belvedere.capture.camera_curve import PairOfCodes, estimate_camera_curve
from belvedere.capture.decode import decode
from belvedere.capture.digest import file_sha256, joined_digest
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.metadata import read_metadata
from belvedere.capture.set_contrast import estimate_contrast, poses_to_look_at, with_contrast
from belvedere.capture.transfer import read_transfer
from belvedere.demo.faults import Fault
from belvedere.demo.poses import Shot, plan_shots
from belvedere.demo.render import render_frame, write_frame, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec, SimulatedBody
from belvedere.demo.truth import Truth
from belvedere.demo.walkers import walker_mask
from belvedere.errors import UnreadableFile
from benchmarks.bracket_wedge import Files, merge_wedge, shoot_wedge, tone_bands

STEPS = (0.0, -2.0, 2.0)


@pytest.fixture(scope="module")
def shelf() -> Iterator[Path]:
    with TemporaryDirectory() as folder:
        yield Path(folder)


@cache
def shot(shelf: Path, name: str = "row", **changes: Any) -> tuple[SetSpec, Truth, Path]:
    """Two poses of three exposures, as files."""
    folder = shelf / f"{name}-{abs(hash(repr(sorted(changes.items()))))}"
    spec = set_spec(name, megapixels=0.35, columns=2, bracket_ev=STEPS, **changes)
    return spec, write_set(spec, folder), folder


def pose(folder: Path, names: Sequence[str], **changes: Any) -> Frame:
    return Frame(tuple(Exposure(folder / n, replace(read_metadata(folder / n), **changes)) for n in names))


def light_of_codes(codes: NDArray[np.uint16], frame: Frame) -> NDArray[np.float64]:
    table = read_transfer(frame.metadata).to_linear
    return np.interp(codes / 65535.0, np.linspace(0.0, 1.0, table.size), table)


def merged(frame: Frame, scratch: Path) -> tuple[NDArray[np.float64], BracketAccount]:
    codes, account = merge_bracket(frame, scratch, decode)
    assert codes.shape == (frame.metadata.height, frame.metadata.width, 3)
    assert not list(scratch.glob(".*.part"))
    return light_of_codes(codes, frame), account


def true_light(spec: SetSpec, first: Shot) -> NDArray[np.float64]:
    """What a frame without noise and white would hold, in units of the shortest exposure's white."""
    quiet = replace(spec, body=replace(spec.body, full_well=0.0), bits=16, brightness=spec.brightness / 64.0)
    clean = plan_shots(quiet)[0]
    assert first.pose == 0
    codes = render_frame(quiet, clean) / 65535.0
    encoded = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    return np.asarray(encoded * 64.0 * 2.0 ** min(STEPS))


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


@pytest.mark.parametrize("raw", ["none", "dng"])
def test_people_who_walk_by_show_once_and_whole(raw: str, shelf: Path, tmp_path: Path) -> None:
    """Every pixel that shows a walker in one of the exposures shows what one of the exposures has there."""
    _spec, known, folder = shot(shelf, "walkers", walkers=4, raw=raw, brightness=0.7)
    frame = pose(folder, known.files[:3])
    found, account = merged(frame, tmp_path)
    assert account.moved_regions >= 1
    masks = [walker_mask(known.frames[k]) > 0 for k in range(3)]
    anyone = masks[0] | masks[1] | masks[2]
    assert anyone.sum() > 300
    own = [light_of_codes_alone(e) / 2.0 ** (ev + 2.0) for e, ev in zip(frame.exposures, STEPS, strict=True)]
    clipped = [light_of_codes_alone(e).max(axis=2) > 0.8 for e in frame.exposures]
    near = np.stack(
        [np.where(c, np.inf, np.abs(np.log2(found[..., 1] / np.maximum(o[..., 1], 1e-6))))
         for o, c in zip(own, clipped, strict=True)]
    )  # fmt: skip
    ghosts = anyone & (near.min(axis=0) > 0.4)
    assert ghosts.sum() < 0.02 * anyone.sum()
    first = np.where(masks[account.merged[0]], 1, 0)
    assert first.any()


def light_of_codes_alone(exposure: Exposure) -> NDArray[np.float64]:
    codes = decode(exposure)
    table = read_transfer(exposure.metadata).to_linear
    return np.interp(codes / float(np.iinfo(codes.dtype).max), np.linspace(0.0, 1.0, table.size), table)


def test_an_exposure_that_cannot_be_read_is_named_and_the_pose_goes_on(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    whole, _ = merged(pose(folder, known.files[:3]), tmp_path)
    for bad in range(3):
        names = list(known.files[:3])
        cut = tmp_path / f"CUT_{bad}.JPG"
        data = (folder / names[bad]).read_bytes()
        cut.write_bytes(data[: len(data) // 2])
        exposures = list(pose(folder, known.files[:3]).exposures)
        exposures[bad] = Exposure(cut, exposures[bad].metadata)
        found, account = merged(Frame(tuple(exposures)), tmp_path)
        assert [k for k, _ in account.lost] == [bad]
        assert "cut short" in account.lost[0][1]
        assert sorted(account.merged) == [k for k in range(3) if k != bad]
        inside = whole.max(axis=2) < 0.15  # what the next longer exposure holds
        assert np.median(np.log2(found[inside] / whole[inside])) == pytest.approx(0.0, abs=0.01)


def test_a_pose_none_of_whose_exposures_can_be_read_says_why(tmp_path: Path, shelf: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    gone = [Exposure(tmp_path / "gone.jpg", e.metadata) for e in pose(folder, known.files[:3]).exposures]
    with pytest.raises(UnreadableFile, match=r"gone\.jpg"):
        merge_bracket(Frame(tuple(gone)), tmp_path, decode)


def test_an_exposure_of_another_view_is_left_out_and_named(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    mixed = (known.files[0], known.files[1], known.files[5])  # the last looks elsewhere
    found, account = merged(pose(folder, mixed), tmp_path)
    assert [k for k, _ in account.lost] == [2]
    assert "something else" in account.lost[0][1]
    whole, _ = merged(pose(folder, known.files[:2]), tmp_path)
    np.testing.assert_allclose(found, whole, rtol=2e-3, atol=1e-6)


def test_tags_that_are_wrong_give_way_to_the_pixels(shelf: Path, tmp_path: Path) -> None:
    """Two exposures whose tags tell the same time, their pictures four times apart."""
    _, known, folder = shot(shelf, brightness=0.8)
    right = pose(folder, known.files[:2])
    wrong = Frame(tuple(Exposure(e.file, replace(e.metadata, exposure_s=1 / 250)) for e in right.exposures))
    _, account = merged(wrong, tmp_path)
    assert account.merged == (1, 0)
    assert account.exposure_ev == pytest.approx((0.0, 2.0), abs=0.02)
    assert len(account.wrong_settings) == 1


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
        "row", megapixels=0.35, columns=1, bracket_ev=(0.0, 0.0, 0.0),
        faults=(Fault(1, f_number=16.0), Fault(2, iso=400)), brightness=0.8,
    )  # fmt: skip
    known = write_set(spec, tmp_path / "set")
    found, account = merged(pose(tmp_path / "set", known.files), tmp_path)
    assert account.merged == (1, 0, 2)
    assert account.exposure_ev == pytest.approx((0.0, 2.0, 4.0), abs=0.02)
    truth = true_light(spec, plan_shots(spec)[0])
    assert np.median(found / truth) == pytest.approx(1.0, abs=0.01)


def test_a_camera_that_moved_by_whole_pixels_is_brought_together_and_said(
    shelf: Path, tmp_path: Path
) -> None:
    spec, known, folder = shot(shelf, brightness=0.8)
    exposures = list(pose(folder, known.files[:3]).exposures)
    pixels = decode(exposures[2])
    moved = tmp_path / "MOVED.JPG"
    shot_2 = plan_shots(spec)[2]
    write_frame(spec, shot_2, np.roll(pixels, (2, -3), (0, 1)), moved)
    exposures[2] = Exposure(moved, read_metadata(moved))
    found, account = merged(Frame(tuple(exposures)), tmp_path)
    assert account.shift_px == pytest.approx(np.hypot(2, 3), abs=0.15)
    assert account.left_px < 0.15
    still, _ = merged(pose(folder, known.files[:3]), tmp_path)
    inside = (slice(8, -8), slice(8, -8))
    assert np.median(np.abs(np.log2(found[inside] / still[inside]))) < 0.02
    assert account.moved_share < 0.02


def test_a_frame_that_is_white_throughout_stays_white(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, brightness=400.0)
    found, account = merged(pose(folder, known.files[:3]), tmp_path)
    assert len(account.merged) == 3
    assert account.exposure_ev == pytest.approx((0.0, 2.0, 4.0), abs=0.01)  # by the settings
    assert np.median(found) == pytest.approx(1.0, abs=1e-3)


def test_other_sizes_and_profiles_are_not_merged(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    exposures = list(pose(folder, known.files[:3]).exposures)
    exposures[1] = Exposure(exposures[1].file, replace(exposures[1].metadata, color_space=2))
    other = write_set(set_spec("row", megapixels=0.2, columns=1), tmp_path / "small")
    exposures[2] = Exposure(
        tmp_path / "small" / other.files[0], read_metadata(tmp_path / "small" / other.files[0])
    )
    _, account = merged(Frame(tuple(exposures)), tmp_path)
    assert account.merged == (0,)
    assert "another colour profile" in dict(account.lost)[1]
    assert "px" in dict(account.lost)[2]


def test_the_same_exposures_give_the_same_bits(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, "walkers", walkers=4, raw="none", brightness=0.7)
    frame = pose(folder, known.files[:3])
    first, second = (merge_bracket(frame, tmp_path, decode)[0] for _ in range(2))
    assert (first == second).all()


def test_the_store_keeps_one_merged_frame_for_all_of_its_exposures(shelf: Path, tmp_path: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    frame = pose(folder, known.files[:3])
    with FrameStore(tmp_path / "frames", [frame]) as store:
        assert not store.build_one(0)
        assert store.build_one(0)
        assert store.digest(0) == joined_digest([file_sha256(e.file) for e in frame.exposures])
        account = store.account(0)
        assert account is not None
        assert account.merged == (1, 0, 2)
        assert store.dtype(0, 0) == np.uint16
    with FrameStore(tmp_path / "frames", [Frame(frame.exposures[:2])]) as fewer:
        assert not fewer.build_one(0)
    kept = next((tmp_path / "frames").glob("*.tiles"))
    account_path(kept).unlink()
    with FrameStore(tmp_path / "frames", [frame, Frame(frame.exposures[:2])]) as store:
        assert [store.build_one(i) for i in range(2)].count(False) == 1


def test_metadata_of_a_merged_frame_are_the_first_s_with_the_shortest_s_settings(shelf: Path) -> None:
    _, known, folder = shot(shelf, brightness=0.8)
    frame = pose(folder, known.files[:3])
    assert frame.name == known.files[0]
    assert frame.metadata.taken == frame.exposures[0].metadata.taken
    assert frame.metadata.exposure_s == frame.exposures[1].metadata.exposure_s
    assert frame.metadata.bits == 16
    assert Frame(frame.exposures[:1]).metadata == frame.exposures[0].metadata
    unknown = replace(frame.exposures[1], metadata=replace(frame.exposures[1].metadata, iso=None))
    assert Frame((frame.exposures[0], unknown)).metadata.exposure_s == frame.exposures[0].metadata.exposure_s


@pytest.mark.parametrize("contrast", [0.0, 0.3, 0.55])
def test_a_camera_s_own_curve_is_found_from_its_exposures_and_undone(
    contrast: float, shelf: Path, tmp_path: Path
) -> None:
    """Light is true in every tone, up to one factor that the curve near white leaves open."""
    body = SimulatedBody("Brevalin", "Brevalin C5", contrast=contrast)
    spec, known, folder = shot(shelf, brightness=1.3, body=body)
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
