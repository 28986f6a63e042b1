"""A panorama as linear DNG is developed by LibRaw as its raw files are, whatever white balance is set."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rawpy
import simplejpeg
import tifffile

from belvedere.capture.camera_colour import read_camera_colour
from belvedere.capture.raw import develop_scene, read_raw_metadata
from belvedere.cli.main import run
from belvedere.compose.report import read_report, report_path
from belvedere.demo.render import write_set
from belvedere.demo.spec import SetSpec
from benchmarks.linear import BALANCES, Made, row_of_raw_files
from benchmarks.linear_compared import compare_copy, lab
from dng_files import write_dng

REAL = Path(__file__).parents[2] / "shared" / "data" / "raw" / "raw" / "CRW_0118.CRW"
MEGAPIXELS = 0.3


def stitched(spec: SetSpec, folder: Path) -> Made:
    write_set(spec, folder / "frames")
    dng = folder / "row.dng"
    assert run(["stitch", str(folder / "frames"), "--as", "linear-dng", "--out", str(dng), "--quiet"]) == 0
    return Made(dng, read_report(report_path(dng)), folder / "frames")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A row without noise, soft enough that interpolating colour filters is no matter."""
    folder = tmp_path_factory.mktemp("row")
    return stitched(row_of_raw_files(MEGAPIXELS, columns=3, blur_px=2.5), folder)


@pytest.mark.parametrize("balance", BALANCES)
def test_another_balance_gives_what_it_gives_of_a_single_raw_file(
    made: Made, balance: tuple[float, float, float]
) -> None:
    """Bars: a hundredth of the light, and a mean of half a CIEDE2000."""
    squares = made.compare(balance, 8)
    even = squares.even()
    assert len(even.linear) > 500
    assert np.median(even.linear) < 0.003
    assert np.percentile(even.linear, 99) < 0.01
    assert even.colour.mean() < 0.1
    assert np.median(squares.linear) < 0.01
    assert squares.colour.mean() < 0.5


def test_the_balance_matters(made: Made) -> None:
    """Else nothing above was shown: the balances differ by a colour that anyone sees."""
    cold, warm = (lab(made.light(balance)) for balance in BALANCES)
    assert np.median(np.abs(cold - warm)[..., 1:].max(axis=2)) > 10.0


def test_what_was_clipped_in_some_channels_is_neutral_as_shot(tmp_path: Path) -> None:
    bright = stitched(row_of_raw_files(MEGAPIXELS, columns=3, blur_px=2.5, brightness=1.9), tmp_path)
    colours = bright.clipped_as_shot(8)
    assert len(colours) > 20
    chroma = np.hypot(*lab(colours / colours.max(axis=1, keepdims=True))[:, 1:].T)
    assert chroma.max() < 1.0
    assert colours.max() > 1.0  # brighter than the white level, and kept


def test_libraw_and_tifffile_read_the_same_samples_and_the_settings(made: Made) -> None:
    with rawpy.imread(str(made.dng)) as raw:
        seen = raw.raw_image_visible[..., :3].copy()
        shot = np.array(raw.camera_whitebalance[:3])
        other = raw.other
        small = simplejpeg.decode_jpeg(raw.extract_thumb().data)
        assert raw.sizes.flip == 0
        assert raw.white_level == 65535
    plate = made.report.plate
    assert seen.shape == (plate.height, plate.width, 3)
    with tifffile.TiffFile(made.dng) as tiff:
        first = tiff.pages.first
        assert first.pages is not None
        assert np.array_equal(first.pages[0].asarray(), seen)
        mask = first.pages[1].asarray()
        assert first.tags[274].value == 1
        over, under = first.tags[50730].value  # BaselineExposure
        assert over / under == pytest.approx(np.log2(made.headroom), abs=1e-4)
        assert b"compositeCapture" in bytes(first.tags[700].value)
    assert (seen[mask == 0] == 0).all()
    assert (mask > 0).mean() == pytest.approx(made.report.coverage.covered_fraction, abs=0.005)
    source = next(made.sources.glob("*.DNG"))
    with rawpy.imread(str(source)) as raw:
        np.testing.assert_allclose(shot / shot[1], np.array(raw.camera_whitebalance[:3]), rtol=1e-4)
    assert other.focal_length == pytest.approx(50.0)
    assert read_raw_metadata(made.dng).focal_mm == pytest.approx(50.0)
    assert small.shape[1] / small.shape[0] == pytest.approx(plate.width / plate.height, rel=0.01)
    assert 40 < np.median(small) < 220


def test_the_preview_has_the_picture_s_colours(made: Made) -> None:
    """As LibRaw develops it as shot, brightened by the baseline exposure."""
    with rawpy.imread(str(made.dng)) as raw:
        shot = tuple(float(v) for v in raw.camera_whitebalance[:3])
        small = simplejpeg.decode_jpeg(raw.extract_thumb().data).astype(np.float64) / 255.0
    light = np.clip(made.light((shot[0], shot[1], shot[2])), 0.0, 1.0)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    for share in (0.35, 0.5, 0.65):
        y, x = int(share * light.shape[0]), int(0.5 * light.shape[1])
        j, i = int(share * small.shape[0]), int(0.5 * small.shape[1])
        wanted = codes[y - 20 : y + 20, x - 20 : x + 20].mean(axis=(0, 1))
        reach = max(2, round(20 * small.shape[0] / light.shape[0]))
        shown = small[j - reach : j + reach, i - reach : i + reach].mean(axis=(0, 1))
        assert np.abs(shown - wanted).max() < 0.06


def test_a_real_camera_s_light_is_developed_as_its_own_file(tmp_path: Path) -> None:
    """One frame, no panorama: the matrix, the neutral and the levels of a camera that is no invention."""
    if not REAL.exists():
        pytest.skip(f"{REAL} is not there")
    colour = read_camera_colour(REAL)
    write_dng(
        tmp_path / "a.dng",
        develop_scene(REAL),
        model=colour.model,
        matrices=colour.matrices,
        neutral=colour.neutral,
    )
    squares = compare_copy(REAL, tmp_path / "a.dng", BALANCES[0])
    even = squares.even(0.06)  # noise included
    assert len(even.linear) > 1000
    assert np.median(even.linear) < 0.003
    assert np.percentile(even.linear, 99) < 0.01
    assert squares.colour.mean() < 0.2


def test_deliver_and_verify_say_what_they_do_with_it(made: Made, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["deliver", str(made.dng), "--for", "screen"]) == 2
    assert "--as linear-tiff" in capsys.readouterr().err
    assert run(["verify", str(made.dng)]) in (0, 3)
    told = capsys.readouterr()
    assert "row.dng" in told.out + told.err
