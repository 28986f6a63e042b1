"""Linear DNG and linear TIFF hold the same light, in the same bytes however made; too large is reduced."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import pyvips
import rawpy
import tifffile
from numpy.typing import NDArray

from belvedere.capture.icc import read_profile
from belvedere.capture.primaries import srgb_profile
from belvedere.cli.main import run
from belvedere.compose import dng_limits
from belvedere.compose.report import Report, read_report, report_path
from belvedere.compose.tiff import TiledTiff
from belvedere.deliver.picture import open_picture
from belvedere.demo.render import write_set
from belvedere.demo.sets import render_set
from benchmarks.command import stitch
from benchmarks.linear import row_of_raw_files


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("frames")
    write_set(row_of_raw_files(0.25, columns=3), folder)
    return folder


@pytest.fixture(scope="module")
def dng(frames: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(frames, tmp_path_factory.mktemp("made") / "row.dng", "linear-dng")


def made(frames: Path, out: Path, kind: str, *more: str) -> Path:
    code = run(["stitch", str(frames), "--as", kind, "--out", str(out), "--quiet", *more])
    assert code in (0, 3)
    return out


def light_of_dng(dng: Path) -> NDArray[np.uint16]:
    with rawpy.imread(str(dng)) as raw:
        return raw.raw_image_visible[..., :3].copy()


def report_of(out: Path) -> Report:
    return read_report(report_path(out))


def headroom_of(out: Path) -> float:
    picture = report_of(out).picture
    assert picture is not None
    assert picture.headroom is not None
    return picture.headroom


def test_a_tiff_of_16_bits_has_the_codes_of_the_dng(frames: Path, dng: Path, tmp_path: Path) -> None:
    tiff = made(frames, tmp_path / "row.tif", "linear-tiff")
    with tifffile.TiffFile(tiff) as file:
        page = file.pages.first
        samples = page.asarray()
        profile = read_profile(page.tags[34675].value)
        assert b"compositeCapture" in bytes(page.tags[700].value)
    assert np.array_equal(samples[..., :3], light_of_dng(dng))
    assert headroom_of(tiff) == headroom_of(dng)
    assert profile is not None
    assert profile.matrix is not None
    neutral = report_of(tiff).picture.camera.neutral  # type: ignore[union-attr]
    white = profile.matrix @ (np.array(neutral) / headroom_of(tiff))
    np.testing.assert_allclose(white, (0.9642, 1.0, 0.8249), atol=2e-3)  # D50: the neutral is the white
    covered = samples[..., 3] > 0
    assert (samples[~covered] == 0).all()
    assert covered.mean() == pytest.approx(report_of(dng).coverage.covered_fraction, abs=0.01)


def test_a_tiff_in_floating_point_has_its_light(frames: Path, dng: Path, tmp_path: Path) -> None:
    tiff = made(frames, tmp_path / "row.tif", "linear-tiff", "--depth", "32")
    samples = tifffile.imread(tiff)
    assert samples.dtype == np.float32
    headroom = headroom_of(dng)
    codes = light_of_dng(dng) / 65535.0 * headroom
    assert np.abs(np.maximum(samples[..., :3], 0.0) - codes).max() <= 0.51 * headroom / 65535.0


@pytest.mark.parametrize("depth", ["16", "32"])
def test_other_libraries_read_the_samples_of_a_linear_tiff(frames: Path, tmp_path: Path, depth: str) -> None:
    tiff = made(frames, tmp_path / f"{depth}.tif", "linear-tiff", "--depth", depth)
    wanted = tifffile.imread(tiff)
    by_vips = pyvips.Image.new_from_file(str(tiff), fail_on="error", revalidate=True).numpy()
    assert np.array_equal(by_vips, wanted)
    by_opencv = cv2.imread(str(tiff), cv2.IMREAD_UNCHANGED)
    assert by_opencv is not None
    assert np.array_equal(by_opencv[..., [2, 1, 0, 3]], wanted)
    with open_picture(tiff) as picture:
        shown = picture.read(0, 0, picture.width, picture.height)
    assert (shown[..., 3] == np.rint(wanted[..., 3] / wanted[..., 3].max() * 65535)).all()
    assert np.median(shown[..., :3]) > 10_000


def test_the_same_bytes_with_other_threads_and_blocks(frames: Path, dng: Path, tmp_path: Path) -> None:
    other = made(frames, tmp_path / "row.dng", "linear-dng", "--workers", "1", "--memory", "600MiB")
    assert other.read_bytes() == dng.read_bytes()


def test_a_run_that_was_stopped_goes_on_to_the_same_bytes(
    frames: Path, dng: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, puts = tmp_path / "row.dng", []
    put = TiledTiff.put

    def stop_at_fourth(self: TiledTiff, *given: Any, **more: Any) -> None:
        if len(puts) == 3:  # a tile with its mask, and the mask of another
            raise KeyboardInterrupt
        puts.append(given)
        put(self, *given, **more)

    with monkeypatch.context() as patched:
        patched.setattr(TiledTiff, "put", stop_at_fourth)
        assert run(["stitch", str(frames), "--as", "linear-dng", "--out", str(out), "--quiet"]) not in (0, 3)
    assert len(puts) == 3
    assert not out.exists()
    began = next(tmp_path.glob(".row.dng.part-*")).stat().st_ino
    stitch(frames, out, "--as", "linear-dng")  # in another process, as a second run is
    assert out.stat().st_ino == began  # went on with the same file
    assert out.read_bytes() == dng.read_bytes()


def test_what_is_too_large_for_readers_is_reduced_and_said(
    frames: Path,
    dng: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    plate = report_of(dng).plate
    monkeypatch.setattr(dng_limits, "MOST_BYTES", plate.width * plate.height * 8 // 2)
    out = tmp_path / "row.dng"
    assert run(["stitch", str(frames), "--as", "linear-dng", "--out", str(out)]) in (0, 3)
    told = capsys.readouterr()
    assert "--as linear-tiff" in told.out + told.err
    report = report_of(out)
    assert report.plate.width * (report.plate.height + 8) * 8 <= dng_limits.MOST_BYTES
    assert report.plate.width / plate.width == pytest.approx(0.5**0.5, abs=0.02)
    assert any("reduced to" in notice for notice in report.notices)
    with rawpy.imread(str(out)) as raw:
        assert (raw.sizes.width, raw.sizes.height) == (report.plate.width, report.plate.height)
        assert raw.raw_image.max() > 1000


def test_pictures_that_are_not_raw_become_linear_tiffs_but_no_dng(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "jpegs"
    render_set("row", folder, megapixels=0.25, columns=3)
    assert run(["stitch", str(folder), "--as", "linear-dng", "--out", str(tmp_path / "a.dng")]) == 2
    assert "raw" in capsys.readouterr().err
    assert not (tmp_path / "a.dng").exists()
    linear = tifffile.imread(made(folder, tmp_path / "a.tif", "linear-tiff"))
    shown = tifffile.imread(plain(folder, tmp_path / "b.tif"))
    srgb = read_profile(srgb_profile())
    assert srgb is not None
    light = np.interp(shown[..., :3] / 65535.0, np.linspace(0.0, 1.0, srgb.curves[0].size), srgb.curves[0])
    below = (shown[..., :3].max(axis=2) < 65535) & (shown[..., 3] > 0)
    found = linear[..., :3] / 65535.0 * headroom_of(tmp_path / "a.tif")
    assert np.abs(found - light)[below].max() < 2e-4


def plain(frames: Path, out: Path) -> Path:
    assert run(["stitch", str(frames), "--out", str(out), "--quiet"]) in (0, 3)
    return out
