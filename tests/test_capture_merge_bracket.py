"""Frames of several exposures, from files: what moved, what is missing, what the tags get wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from belvedere.capture.bracket_account import account_path
from belvedere.capture.decode import decode
from belvedere.capture.digest import file_sha256, joined_digest
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.metadata import read_metadata
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import write_frame, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.walkers import walker_mask
from belvedere.errors import UnreadableFile
from tests.bracket_sets import STEPS, light_of_codes_alone, merged, pose, shot


@pytest.fixture(scope="module")
def shelf() -> Iterator[Path]:
    with TemporaryDirectory() as folder:
        yield Path(folder)


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
    other = write_set(set_spec("row", megapixels=0.1, columns=1), tmp_path / "small")
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
