"""Cameras' raw files: their light and their tags come back, and what is not all there is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from belvedere.capture.containers import container_of
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure
from belvedere.capture.gather import gather
from belvedere.capture.glance import embedded_look, reduced_look
from belvedere.capture.metadata import read_metadata
from belvedere.capture.raw import develop_raw, srgb_codes_of_light
from belvedere.capture.transfer import read_transfer
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec
from belvedere.errors import UnreadableFile
from belvedere.geometry.orientation import displayed

DATA = Path(__file__).parents[2] / "shared" / "data" / "raw"
BLACK, WHITE = 512, 15871
# CIE XYZ (D65) to linear sRGB, IEC 61966-2-1 (1999), 5.3, in ten thousandths.
XYZ_TO_SRGB = (32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570)
CORNERS = np.array([[(0.8, 0.2, 0.1), (0.1, 0.5, 0.2)], [(0.3, 0.3, 0.3), (0.05, 0.1, 0.6)]])


def light_of_corners(height: int, width: int) -> NDArray[np.float64]:
    """Four patches, each corner of the picture its own colour."""
    return np.repeat(np.repeat(CORNERS, height // 2, axis=0), width // 2, axis=1)


def write_dng(file: Path, light: NDArray[np.float64], *tags: tuple[Any, ...], **options: Any) -> Path:
    """A colour filter array, RGGB, of linear sRGB light as stored, written by another library."""
    values = np.empty(light.shape[:2])
    for y, x, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        values[y::2, x::2] = light[y::2, x::2, channel]
    codes = np.rint(BLACK + values * (WHITE - BLACK)).astype(np.uint16)
    matrix = [part for value in XYZ_TO_SRGB for part in (value, 10000)]
    tifffile.imwrite(
        file, codes, photometric=32803, planarconfig=None, metadata=None, rowsperstrip=len(codes),
        extratags=[
            (50706, 1, 4, bytes([1, 4, 0, 0]), False), (33421, 3, 2, (2, 2), False),
            (33422, 1, 4, bytes([0, 1, 1, 2]), False), (50710, 1, 3, bytes([0, 1, 2]), False),
            (50711, 3, 1, 1, False), (50714, 3, 1, BLACK, False), (50717, 4, 1, WHITE, False),
            (50721, 10, 9, tuple(matrix), False), (50728, 5, 3, (1, 1, 1, 1, 1, 1), False), *tags,
        ], **options,
    )  # fmt: skip
    return file


def middles(picture: NDArray[Any]) -> NDArray[np.float64]:
    """Colours in the middle of the four corners' patches, (2, 2, 3)."""
    h, w = picture.shape[:2]
    return np.array([[picture[y, x] for x in (w // 4, 3 * w // 4)] for y in (h // 4, 3 * h // 4)])


def test_light_comes_back_within_a_thousandth(tmp_path: Path) -> None:
    file = write_dng(tmp_path / "a.dng", light_of_corners(80, 120))
    linear = develop_raw(file)
    assert linear.dtype == np.uint16
    assert linear.shape == (80, 120, 3)
    np.testing.assert_allclose(middles(linear) / 65535.0, CORNERS, atol=1e-3)


def test_codes_are_undone_by_the_transfer_of_the_metadata(tmp_path: Path) -> None:
    """`decode` codes the light by the curve that `read_transfer` names: no step of 16 bits is lost."""
    file = write_dng(tmp_path / "a.dng", light_of_corners(80, 120))
    metadata = read_metadata(file)
    codes = decode(Exposure(file, metadata))
    curve = read_transfer(metadata).to_linear
    light = np.interp(codes / 65535.0, np.linspace(0.0, 1.0, curve.size), curve)
    np.testing.assert_allclose(light * 65535.0, develop_raw(file), atol=2.0)


def test_the_curve_rises_and_agrees_with_the_standard() -> None:
    """IEC 61966-2-1: 0.0031308 lies on both branches; 0.5 gives 0.7354 (worked from the formula)."""
    codes = srgb_codes_of_light() / 65535.0
    assert (np.diff(codes) >= 0.0).all()
    assert codes[[0, 65535]].tolist() == [0.0, 1.0]
    assert codes[205] == pytest.approx(12.92 * 205 / 65535, abs=1e-5)
    assert codes[32768] == pytest.approx(1.055 * 0.5000076 ** (1 / 2.4) - 0.055, abs=1e-5)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_applied_once(tmp_path: Path, orientation: int) -> None:
    file = write_dng(tmp_path / "a.dng", light_of_corners(80, 120), (274, 3, 1, orientation, True))
    exposure = Exposure(file, read_metadata(file))
    assert exposure.metadata.orientation == orientation
    shown = decode(exposure)
    assert shown.shape[:2] == (exposure.metadata.height, exposure.metadata.width)
    wanted = displayed(CORNERS, orientation)
    light = (middles(shown) / 65535.0) ** 2.2  # near enough to tell the corners apart
    np.testing.assert_allclose(light, wanted, atol=0.03)
    small = reduced_look(exposure, long_side=60)
    assert max(small.image.shape[:2]) == 60
    np.testing.assert_allclose((middles(small.image) / 255.0) ** 2.2, wanted, atol=0.04)


def test_frames_of_a_set_keep_their_ratio(tmp_path: Path) -> None:
    """The white level is the camera's: a frame without bright parts is not brightened to its own maximum."""
    dark = develop_raw(write_dng(tmp_path / "d.dng", light_of_corners(80, 120) * 0.25))
    light = develop_raw(write_dng(tmp_path / "l.dng", light_of_corners(80, 120)))
    np.testing.assert_allclose(middles(dark) * 4.0, middles(light), rtol=5e-3, atol=30.0)


def test_a_simulated_camera_says_the_same_in_raw_and_jpeg(tmp_path: Path) -> None:
    known = write_set(replace(set_spec("row", megapixels=0.3, columns=1), raw="both"), tmp_path)
    picture = read_metadata(tmp_path / known.files[0])
    raw = read_metadata((tmp_path / known.files[0]).with_suffix(".DNG"))
    assert raw.bits == 16
    for field in ("make", "model", "lens", "serial", "focal_mm", "focal_35mm", "exposure_s", "f_number",
                  "iso", "taken", "orientation", "white_balance_auto", "exposure_auto"):  # fmt: skip
        assert getattr(raw, field) == getattr(picture, field), field
    assert raw.focal_plane_px_per_mm == pytest.approx(picture.focal_plane_px_per_mm)
    assert raw.profile is None


def test_a_raw_file_and_its_picture_look_alike(tmp_path: Path) -> None:
    known = write_set(replace(set_spec("row", megapixels=0.3, columns=1), raw="both"), tmp_path)
    jpeg = tmp_path / known.files[0]
    shown = decode(Exposure(jpeg, read_metadata(jpeg))).astype(float)
    dng = jpeg.with_suffix(".DNG")
    exposure = Exposure(dng, read_metadata(dng))
    assert np.abs(decode(exposure) / 257.0 - shown).mean() < 2.5
    look = embedded_look(exposure)
    assert look is not None
    assert look.kind == "preview"
    wanted = np.asarray(Image.fromarray(shown.astype(np.uint8)).resize(look.image.shape[1::-1], 4))
    assert np.abs(look.image.astype(float) - wanted).mean() < 5.0


def test_raw_files_alone_are_frames_and_beside_a_picture_passed_over(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", light_of_corners(80, 120))
    write_dng(tmp_path / "b.DNG", light_of_corners(80, 120))
    Image.new("RGB", (120, 80)).save(tmp_path / "b.jpg")
    write_dng(tmp_path / "c.dng", light_of_corners(80, 120))
    (tmp_path / "c.jpg").write_bytes(b"\xff\xd8\xff")  # damaged: the raw file stands in
    gathered = gather([tmp_path])
    assert [frame.name for frame in gathered.frames] == ["a.dng", "b.jpg", "c.dng"]
    assert [path.name for path, _ in gathered.unreadable] == ["c.jpg"]
    assert [n for n in gathered.notices if "b.DNG" in n and "passed over" in n]


def test_a_raw_picture_under_another_name_is_known_by_its_tags(tmp_path: Path) -> None:
    file = write_dng(tmp_path / "a.tif", light_of_corners(80, 120))
    assert container_of(file) == "raw"
    assert read_metadata(file).bits == 16


@pytest.mark.parametrize("kept", [0.2, 0.6, 0.99])
def test_a_file_cut_short_is_refused_by_its_header_alone(tmp_path: Path, kept: float) -> None:
    data = write_dng(tmp_path / "a.dng", light_of_corners(80, 120)).read_bytes()
    file = tmp_path / "cut.dng"
    file.write_bytes(data[: int(len(data) * kept)])
    with pytest.raises(UnreadableFile, match="cut short"):
        read_metadata(file)


def test_a_picture_whose_last_rows_are_missing_is_refused(tmp_path: Path) -> None:
    """Zeros lie below the black level: no light gives them. A capped lens gives the black level and noise."""
    light = light_of_corners(80, 120)
    light[40:] = -BLACK / (WHITE - BLACK)
    file = write_dng(tmp_path / "a.dng", light)
    with pytest.raises(UnreadableFile, match="cut short"):
        decode(Exposure(file, read_metadata(file)))
    capped = write_dng(tmp_path / "cap.dng", light * 0.0)
    assert decode(Exposure(capped, read_metadata(capped))).max() < 200


# Real files. Sizes and settings as another reader has them: see the files' SOURCES.md, and tifffile's tags.
REAL = {
    "raw/CRW_0117.CRW": ((2312, 1720), "PowerShot S40", 0.25, 7.09375),
    "raw/CRW_0118.CRW": ((2312, 1720), "PowerShot S40", 0.125, 7.09375),
    "raw/CRW_0313.CRW": ((2312, 1720), "PowerShot G2", 0.019828, 7.0),
    "raw/DC0012L.KDC": ((768, 512), "Kodak Digital Science DC50 Zoom Camera", 0.03019, 37.0),
    "raw/P003916.KDC": ((1301, 976), "Kodak DC120 ZOOM Digital Camera", 0.0037, 37.0),
    "raw/P003917.KDC": ((1301, 976), "Kodak DC120 ZOOM Digital Camera", 0.0037, 37.0),
    "dng/05_PGTM2_unsigned8.dng": ((200, 200), "Test Camera", None, None),
    "dng/07_PGTM2_float16.dng": ((200, 200), "Test Camera", None, None),
    "dng/09_ImageSequenceInfo_1_of_3.dng": ((200, 200), "Test Camera", None, None),
    "dng/14_hdr_sdr_profiles.dng": ((1000, 100), "Test Camera", None, None),
}


@pytest.mark.parametrize("name", REAL)
def test_real_raw_files_read(name: str) -> None:
    file = DATA / name
    if not file.is_file():
        pytest.skip("the shared raw files are not on this machine")
    size, model, exposure_s, focal_mm = REAL[name]
    metadata = read_metadata(file)
    assert (metadata.stored_width, metadata.stored_height, metadata.bits) == (*size, 16)
    assert metadata.model == model
    assert metadata.exposure_s == (pytest.approx(exposure_s) if exposure_s else None)
    assert metadata.focal_mm == focal_mm
    exposure = Exposure(file, metadata)
    pixels = decode(exposure)
    assert pixels.shape == (size[1], size[0], 3)
    assert pixels.dtype == np.uint16
    look = embedded_look(exposure)
    if not name.startswith("dng"):  # those carry no preview
        assert look is not None
        small = np.asarray(
            Image.fromarray((pixels // 257).astype(np.uint8)).resize(look.image.shape[1::-1], 4)
        )
        likeness = np.corrcoef(small.mean(axis=2).ravel(), look.image.mean(axis=2).ravel())[0, 1]
        assert likeness > 0.85  # turned or mirrored: 0.43 at most


def test_headers_without_a_picture_are_refused_in_one_sentence() -> None:
    files = sorted((DATA / "header-only").glob("*"))
    if not files:
        pytest.skip("the shared raw files are not on this machine")
    for file in files:
        with pytest.raises(UnreadableFile, match="cut short") as caught:
            decode(Exposure(file, read_metadata(file)))
        assert "\n" not in caught.value.why
