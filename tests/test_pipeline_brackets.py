"""Brackets from a folder and from a sorted card: merged, stitched, and told of exposure by exposure."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
import tifffile

from belvedere.capture.bracket_account import BracketAccount, brightness_ev
from belvedere.capture.bracketed_frames import find_poses, with_poses
from belvedere.capture.decode import decode
from belvedere.capture.digest import file_sha256
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.gather import gather
from belvedere.cli.main import run
from belvedere.compose.report import Report, read_report
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.pipeline.bracket_notices import bracket_notices, exposures_words
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.poses import in_poses
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.room_on_disk import exposures_bytes
from belvedere.pipeline.series_frames import find_frames, first_exposures
from belvedere.pipeline.stitch import stitch
from belvedere.pipeline.summary import summary
from belvedere.survey.sorting.series_file import read_series
from tests.test_pipeline_linear import directions, seen_by

STEPS = (0.0, -2.0, 2.0)
SPEC = replace(set_spec("row", megapixels=0.25, columns=3, bracket_ev=STEPS, brightness=1.9), raw="both")


@pytest.fixture(scope="module")
def shot() -> Iterator[Path]:
    """Three poses of three exposures, the sky of the first ones beyond white, as JPEG and raw."""
    with TemporaryDirectory() as folder:
        write_set(SPEC, Path(folder))
        yield Path(folder)


@pytest.fixture(scope="module")
def jpegs(shot: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copied(shot, tmp_path_factory.mktemp("jpegs"), "*.JPG")


def copied(source: Path, folder: Path, pattern: str, *, but: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    for file in source.glob(pattern):
        if file.name != but:
            shutil.copy(file, folder)
    return folder


def made(out: Path) -> Report:
    return read_report(out.with_suffix(".report.json"))


def test_a_folder_of_brackets_becomes_one_picture_of_merged_poses(jpegs: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.tif"
    assert run(["stitch", str(jpegs), "--out", str(out)]) == 0
    report = made(out)
    assert [len(f.exposures) for f in report.frames] == [3, 3, 3]
    names = [e.file for f in report.frames for e in f.exposures]
    assert names == sorted(file.name for file in jpegs.iterdir())
    assert all(e.sha256 == file_sha256(jpegs / e.file) for f in report.frames for e in f.exposures)
    for one in report.frames:
        assert one.merge is not None
        assert one.merge.exposure_ev == pytest.approx((2.0, 0.0, 4.0), abs=0.02)
        assert one.merge.noise_measured
        assert one.gain == pytest.approx(1.0, abs=0.01)
    assert report.picture is not None
    assert report.picture.brightness_ev == pytest.approx(2.0, abs=0.01)
    assert (report.picture.over_white_fraction or 0.0) > 0.02
    text = summary(report, out)
    assert "3 poses of 3 exposures merged" in text
    assert "brighter than the file's white" in text
    # as bright as the middle exposures are themselves
    middle = np.median(decode(gather([jpegs]).frames[3].exposures[0]), axis=(0, 1)) / 255.0
    picture = tifffile.imread(out)
    shown = np.median(picture[picture[..., 3] == 65535][:, :3], axis=0) / 65535.0
    np.testing.assert_allclose(shown, middle, atol=0.06)
    before = out.stat().st_mtime_ns
    assert run(["stitch", str(jpegs), "--out", str(out)]) == 0
    assert out.stat().st_mtime_ns == before


def test_highlights_beyond_the_usual_white_are_in_the_linear_picture(shot: Path, tmp_path: Path) -> None:
    out = tmp_path / "a.tif"
    assert run(["stitch", str(shot), "--as", "linear-tiff", "--depth", "32", "--out", str(out)]) == 0
    report = made(out)
    assert [e.file[-4:] for e in report.frames[0].exposures] == [".DNG"] * 3
    light = tifffile.imread(out)
    covered = light[light[..., 3] > 0.99][:, :3]
    assert (covered.max(axis=1) > 0.25).mean() > 0.02  # white of the first exposures
    assert (covered.max(axis=1) > 0.99).mean() < 0.01
    rays, ratios = directions(report), []
    for pose, taken in enumerate(plan_shots(SPEC)[::3]):
        true, _, smooth = seen_by(report, SPEC, pose, taken, rays)
        green = np.stack([light[smooth][:, 1], true[smooth][:, 1]])
        ratios.append(green[:, (light[smooth][:, :3].max(axis=1) < 0.9)])
    found, true_green = np.concatenate(ratios, axis=1)
    depth = np.floor(np.log2(true_green)).astype(int)
    middles = [
        float(np.median((found / true_green)[depth == d])) for d in range(-9, 1) if (depth == d).sum() > 400
    ]
    assert len(middles) >= 3
    assert max(middles) / min(middles) < 1.01  # the same factor in every tone
    assert np.mean(middles) == pytest.approx(1.9 / 4.0, rel=0.01)


def test_a_pose_goes_on_without_an_exposure_that_is_missing_or_damaged(jpegs: Path, tmp_path: Path) -> None:
    folder = copied(jpegs, tmp_path / "card", "*.JPG", but="VH_1005.JPG")
    bad = folder / "VH_1003.JPG"
    bad.write_bytes(bad.read_bytes()[: bad.stat().st_size // 2])
    out = tmp_path / "a.tif"
    poses = tuple(
        tuple(folder / f"VH_{1001 + k:04}.JPG" for k in own) for own in ((0, 1, 2), (3, 4, 5), (6, 7, 8))
    )
    files = tuple(file for pose in poses for file in pose if file.exists())
    outcome = stitch(StitchOptions(files, out, poses=poses, in_order_given=True), Progress(sys.stderr, False))
    report = outcome.report
    assert outcome.exit_code == 3
    assert [len(f.exposures) for f in report.frames] == [2, 2, 3]
    assert all(f.used for f in report.frames)
    assert [Path(u.file).name for u in report.unreadable] == ["VH_1003.JPG"]
    # the second pose lacks its shortest exposure: its light is 1 at white of the next, four times longer
    gains = [f.gain or 0.0 for f in report.frames]
    assert gains[1] / gains[0] == pytest.approx(4.0, rel=0.02)
    assert gains[2] / gains[0] == pytest.approx(1.0, rel=0.02)
    assert "2 poses of 2 and 1 pose of 3 exposures" in summary(report, out)


def test_a_sorted_card_tells_which_exposures_are_one_pose(jpegs: Path, tmp_path: Path) -> None:
    series = tmp_path / "series.json"
    assert run(["sort", str(jpegs), "--out", str(series)]) == 0
    card = read_series(series)
    found = find_frames(series, card, card.series[0])
    assert [[file.name for file in pose] for pose in found.poses] == [
        [f"VH_{1001 + 3 * p + k:04}.JPG" for k in range(3)] for p in range(3)
    ]
    assert [f.name for f in found.files] == ["VH_1001.JPG", "VH_1004.JPG", "VH_1007.JPG"]
    gathered = in_poses(gather(found.exposures, as_given=True), found.poses, find=False)
    assert [len(f.exposures) for f in gathered.frames] == [3, 3, 3]
    assert "of the 3 exposures of every pose" in (first_exposures(card.series[0]) or "")


def test_raw_files_stand_in_for_the_pictures_a_card_tells_of(shot: Path, jpegs: Path) -> None:
    poses = [[shot / f"VH_{1001 + 3 * p + k:04}.JPG" for k in range(3)] for p in range(3)]
    raw = gather([shot], raw_first=True)
    assert all(f.file.suffix == ".DNG" for f in raw.frames)
    assert [len(f.exposures) for f in in_poses(raw, poses, find=False).frames] == [3, 3, 3]


def test_a_check_of_a_folder_of_brackets_does_not_take_steps_for_faults(
    jpegs: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copied(jpegs, tmp_path / "card", "*.JPG", but="VH_1005.JPG")
    assert run(["check", str(folder)]) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert "2 poses of 3 and 1 pose of 2 exposures; the first of each is looked at" in said
    assert "VH_1004.JPG: fewer exposures than the 3 of other poses; shoot the bracket again" in said
    assert "not locked" not in said


def test_exposures_that_step_from_pose_to_pose_are_no_brackets(tmp_path: Path) -> None:
    spec = set_spec("exposure-steps", megapixels=0.2, columns=6, exposure_ev=(0.0, 1.0))
    write_set(spec, tmp_path)
    assert find_poses(gather([tmp_path]).frames) == []


def test_poses_are_found_by_tags_and_looks(jpegs: Path) -> None:
    frames = gather([jpegs]).frames
    assert find_poses(frames) == [(0, 1, 2), (3, 4, 5), (6, 7, 8)]
    assert find_poses(frames[:4] + frames[5:]) == [(0, 1, 2), (3, 4), (5, 6, 7)]
    assert find_poses(frames[1:]) == [(0, 1), (2, 3, 4), (5, 6, 7)]
    assert find_poses(frames[:3]) == []  # one pose alone is no bracketed set
    posed = with_poses(frames, [(0, 1, 2), (3, 4, 5)])
    assert [len(f.exposures) for f in posed] == [3, 3, 1, 1, 1]
    untold = [Frame((with_settings(f, exposure_s=None),)) for f in frames]
    assert find_poses(untold) == []
    alike = [Frame((with_settings(f, exposure_s=0.01),)) for f in frames]
    assert find_poses(alike) == []


def with_settings(frame: Frame, **changes: object) -> Exposure:
    first = frame.exposures[0]
    return replace(first, metadata=replace(first.metadata, **changes))  # type: ignore[arg-type]


# What is said


def account(**changes: object) -> BracketAccount:
    return replace(BracketAccount((1, 0, 2), (0.0, 2.0, 4.0)), **changes)  # type: ignore[arg-type]


def frame(name: str = "A1.JPG", **settings: tuple[float, ...]) -> Frame:
    start = datetime(2026, 5, 4, 6, 0)
    exposures = []
    for k in range(3):
        own = {key: values[k] for key, values in settings.items()}
        taken = {"exposure_s": 1 / 100, "f_number": 8.0, "iso": 100.0} | own
        metadata = Metadata(60, 40, taken=start + timedelta(seconds=k), **taken)  # type: ignore[arg-type]
        exposures.append(Exposure(Path(name if k == 0 else f"{name}-{k}"), metadata))
    return Frame(tuple(exposures))


def test_nothing_is_said_where_all_is_as_it_should_be() -> None:
    assert bracket_notices([frame(), frame("B1.JPG")], [account(), account()]) == []
    single = Frame(frame().exposures[:1])
    assert bracket_notices([single], [None]) == []


@pytest.mark.parametrize(
    ("settings", "changes", "words"),
    [
        ({"f_number": (8.0, 16.0, 4.0)}, {}, "differ in aperture (f/4 to f/16): depth of field differs"),
        ({"iso": (100.0, 100.0, 400.0)}, {}, "differ in ISO (100 and 400)"),
        ({}, {"wrong_settings": (2,)}, "A1.JPG-2: did not take the light that its settings say"),
        ({}, {"bent_ev": -0.3}, "0.3 EV further apart in some tones"),
        ({}, {"shift_px": 0.4, "left_px": 0.4}, "up to 0.4 px (A1.JPG), 0.4 px is left, fine detail softens"),
        ({}, {"shift_px": 3.2, "left_px": 0.1}, "up to 3.2 px (A1.JPG); brought together by whole pixels"),
        ({}, {"moved_share": 0.4}, "A1.JPG: up to 40 % moved"),
    ],
)
def test_what_is_out_of_the_ordinary_is_said_once(
    settings: dict[str, tuple[float, ...]], changes: dict[str, object], words: str
) -> None:
    notices = bracket_notices([frame(**settings)], [account(**changes)])
    assert len(notices) == 1
    assert words in notices[0]


def test_poses_that_lack_exposures_are_named() -> None:
    short = account(merged=(1, 0), exposure_ev=(0.0, 2.0))
    told = bracket_notices([frame(), frame("B1.JPG"), frame("C1.JPG")], [account(), short, account()])
    assert told == ["B1.JPG: 2 exposures where the other poses have 3"]


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ([1, 1], None),
        ([3, 3, 3], "3 poses of 3 exposures"),
        ([3, 3, 2], "2 poses of 3 and 1 pose of 2 exposures"),
        ([3, 3, 1], "2 poses of 3 and 1 pose of 1 exposure"),
    ],
)
def test_poses_are_counted_by_their_exposures(counts: list[int], words: str | None) -> None:
    assert exposures_words(counts) == words


def test_a_picture_is_as_bright_as_the_middle_exposures() -> None:
    five = account(merged=(0, 1, 2, 3, 4), exposure_ev=(0.0, 1.0, 2.0, 3.0, 4.0))
    assert brightness_ev([account(), five]) == pytest.approx(2.0)
    assert brightness_ev([account(), None]) == pytest.approx(1.0)
    assert brightness_ev([]) == 0.0


def test_the_room_for_exposures_being_merged_is_asked_for_beforehand() -> None:
    assert exposures_bytes([frame(), Frame(frame().exposures[:2])]) == 3 * 60 * 40 * 3
    assert exposures_bytes([Frame(frame().exposures[:1])]) == 0
