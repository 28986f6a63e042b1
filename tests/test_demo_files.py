"""What the simulated cameras write besides the picture: thumbnails, previews, raw files."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray
from PIL import ExifTags, Image

from belvedere.demo.dng import BLACK, WHITE, camera_from_srgb
from belvedere.demo.poses import Shot, plan_shots
from belvedere.demo.render import light_of, write_set
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec
from belvedere.geometry.orientation import displayed

SPEC = set_spec("row", megapixels=0.3, columns=1)


def test_the_exif_thumbnail_is_the_picture_between_bars(tmp_path: Path) -> None:
    known = write_set(SPEC, tmp_path)
    with Image.open(tmp_path / known.files[0]) as picture:
        stored = np.asarray(picture.resize((160, 107), Image.Resampling.BOX)).astype(float)
        block = picture.info["exif"]
        directory = picture.getexif().get_ifd(ExifTags.IFD.IFD1)
    assert directory[0x0103] == 6
    at, size = directory[0x0201], directory[0x0202]
    with Image.open(io.BytesIO(block[6:][at : at + size])) as small:
        assert small.size == (160, 120)
        pixels = np.asarray(small).astype(float)
    assert pixels[:5].mean() < 6
    assert pixels[-5:].mean() < 6
    assert np.abs(pixels[6:113] - stored).mean() < 6.0


def test_a_preview_lies_behind_the_picture_and_is_told_of(tmp_path: Path) -> None:
    body = replace(SPEC.body, preview_px=480)
    known = write_set(replace(SPEC, body=body, profile=True), tmp_path / "with")
    write_set(replace(SPEC, body=replace(body, preview_px=4000)), tmp_path / "without")
    with Image.open(tmp_path / "with" / known.files[0]) as picture:
        assert (picture.format, picture.n_frames) == ("MPO", 2)  # type: ignore[attr-defined]
        whole = np.asarray(picture.resize((480, 320), Image.Resampling.BOX)).astype(float)
        assert picture.info["icc_profile"]
        picture.seek(1)
        assert picture.size == (480, 320)
        assert np.abs(np.asarray(picture.convert("RGB")).astype(float) - whole).mean() < 4.0
    with Image.open(tmp_path / "without" / known.files[0]) as picture:
        assert picture.format == "JPEG"  # a preview no smaller than the picture is none


def developed(file: Path, orientation: int) -> NDArray[np.float64]:
    """Linear light (height, width, 3) as displayed, by another developer."""
    with rawpy.imread(str(file)) as raw:
        linear = raw.postprocess(
            gamma=(1, 1), no_auto_bright=True, use_camera_wb=True, output_bps=16, adjust_maximum_thr=0.0,
            user_flip=0, demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
        )  # fmt: skip
    return np.asarray(displayed(linear, orientation)) / 65535.0


def exposed(spec: SetSpec, shot: Shot) -> NDArray[np.float64]:
    """The truth of the light a shot's sensor gets, (height, width, 3)."""
    camera = shot.camera
    light = light_of(spec, shot).astype(float)
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    q = (x - camera.principal_point[0]) ** 2 + (y - camera.principal_point[1]) ** 2
    q = q / camera.half_diagonal_px**2
    a1, a2, a3 = spec.lens.vignetting
    return light * shot.exposing.factors[1] * (1.0 + q * (a1 + q * (a2 + q * a3)))[..., None]


def means(values: NDArray[np.float64], side: int = 16) -> NDArray[np.float64]:
    rows, columns = values.shape[0] // side, values.shape[1] // side
    cut = values[: rows * side, : columns * side]
    return np.asarray(cut.reshape(rows, side, columns, side, -1).mean(axis=(1, 3)))


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_raw_file_develops_to_the_light_it_was_given(tmp_path: Path, orientation: int) -> None:
    spec = replace(SPEC, raw="dng", orientations=(orientation,), megapixels=0.15)  # type: ignore[arg-type]
    known = write_set(spec, tmp_path)
    assert known.files == ["VH_1001.DNG"]
    shot = plan_shots(spec)[0]
    got, wanted = developed(tmp_path / known.files[0], orientation), exposed(spec, shot)
    open_ = means((wanted.max(axis=-1) < 0.9)[..., None].astype(float))[..., 0] == 1.0
    ratio = means(got)[open_] / means(wanted)[open_]
    assert open_.sum() > 200
    np.testing.assert_allclose(np.median(ratio, axis=0), 1.0, atol=2e-3)
    assert np.percentile(np.abs(ratio - 1.0), 90) < 0.04  # demosaicing along edges of colour


def test_a_raw_file_says_what_it_is(tmp_path: Path) -> None:
    spec = replace(SPEC, raw="both", body=replace(SPEC.body, preview_px=320))
    known = write_set(spec, tmp_path)
    assert known.files == ["VH_1001.JPG"]
    raw_file = tmp_path / "VH_1001.DNG"
    with rawpy.imread(str(raw_file)) as raw:
        assert raw.black_level_per_channel == [BLACK] * 4
        assert raw.white_level == WHITE
        assert raw.color_desc == b"RGBG"
        np.testing.assert_array_equal(raw.raw_pattern, [[0, 1], [3, 2]])
        np.testing.assert_array_equal(raw.raw_image.shape, spec.stored_size[::-1])
        neutral = camera_from_srgb().sum(axis=1)
        assert raw.camera_whitebalance[:3] == pytest.approx(list(1.0 / neutral), rel=1e-4)
        assert (raw.other.iso_speed, raw.other.focal_length) == (100.0, 50.0)
        with Image.open(io.BytesIO(raw.extract_thumb().data)) as small:
            assert max(small.size) == 320
    with tifffile.TiffFile(raw_file) as tiff:
        tags = tiff.pages[0].tags
        assert tags[0x0112].value == 8
        assert tags["Model"].value == spec.body.model
        assert tags["ExifTag"].value["LensModel"] == spec.lens.model
        with Image.open(tmp_path / known.files[0]) as picture:
            assert picture.getexif().get_ifd(0x8769)[0x9003] == tags["ExifTag"].value["DateTimeOriginal"]
